"""Lot and container: where it went, how sure that is, what it costs, and why a unit is in it."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from trace.core.clock import OPEN, now, to_ticks
from trace.core.keys import clean_key
from trace.core.permissions import COSTS, PAGES, may, roles_of
from trace.floor.left import find_left
from trace.floor.queries import get_unit
from trace.genealogy.paths import trace_paths
from trace.genealogy.rules import Sureness
from trace.genealogy.stock import where_is
from trace.labels.paper import SIZES
from trace.material.inspecting import read_status
from trace.material.models import Container, Delivery, Derivation, Span
from trace.material.queries import get_container, get_lot
from trace.web import answer as answers
from trace.web.answer import Answer, pieces_cell
from trace.web.approvals import approval_links, approval_tables
from trace.web.asbuilt import merge_paths
from trace.web.batches import batches_table, has_route, route_fact
from trace.web.cells import Link, Moment, Ref, place_of
from trace.web.clocks import bags_table, clock_fact, describe_moisture
from trace.web.corrections import corrections_table, list_corrections
from trace.web.costs import cost_sheet, summarise_costs
from trace.web.inspection import inspections_table, status_cell, statuses_table
from trace.web.moments import Asof, looks_back, read_asof
from trace.web.record import record_link
from trace.web.tables import Column, Table, respond

MOST_PATHS = 200
"""So many ways into one unit are shown."""


@looks_back
def lot(request: HttpRequest, key: str) -> HttpResponseBase:
    """Where a lot went."""
    it = get_lot(key)
    answer = Answer.of(it, read_asof(request))
    at = answer.asof.ticks
    containers = Container.objects.filter(lot=it, received__lte=at).select_related("part").order_by("key")
    targets = [("lot", it.key), *(("container", label) for label in containers.values_list("key", flat=True))]
    facts = [
        ("Part", Ref("part", it.part.key, it.part.name)),
        ("Supplier", Ref("supplier", it.supplier.key, it.supplier.name)),
        ("Supplier’s lot number", it.number),
        ("Date code", it.date_code or "none given"),
        ("Expiry", it.expiry.isoformat() if it.expiry else "none given"),
        ("Received", Moment.of(it.received) if to_ticks(it.received) <= at else "not yet"),
        ("Status", status_cell(it, read_status(it, at))),
    ]
    tables = [_containers_table(containers, answer.asof), inspections_table(it, at), statuses_table(it, at)]
    links = [Link("Print the labels of its containers", f"{reverse('labels')}?lot={it.key}")]
    return _show(request, answer, facts, tables, targets, links)


@looks_back
def container(request: HttpRequest, key: str) -> HttpResponseBase:
    """Where a container's material went."""
    it = get_container(clean_key(key))
    answer = Answer.of(it, read_asof(request))
    where = where_is(it, answer.population.evidence, answer.population.at)
    facts = [
        ("Kind", it.kind),
        ("Part", Ref("part", it.part.key, it.part.name)),
        ("Lot", Ref("lot", it.lot.key, f"{it.lot.supplier.name} {it.lot.number}")),
        ("Date code", it.lot.date_code or "none given"),
        ("Its lot is", status_cell(it.lot, read_status(it.lot, answer.asof.ticks))),
        ("Held at first", it.quantity if it.quantity is not None else "not counted"),
        ("Left", _left_fact(it, answer.asof)),
        *_receipt_facts(it),
        ("In the plant since", Moment(it.received) if it.received <= answer.asof.ticks else "not yet"),
        ("Where it is", where if isinstance(where, str) else pieces_cell(where.pieces)),
    ]
    at = answer.asof.ticks
    clock = clock_fact(it, min(at, to_ticks(now())))
    facts += [("Moisture", describe_moisture(it.part)), *clock, *route_fact(it, at)]
    tables = [bags_table(it, at)] if clock else []
    tables += [batches_table(it, at)] if has_route(it) else []
    tables += [corrections_table(corrected)] if (corrected := list_corrections("container", it.key)).exists() else []
    tables += [_filled_from_table(it, at), _filled_into_table(it, at), _spans_table(it, at)]
    links = [Link("What is done with it", reverse("stock", args=[it.key]))]
    links += [
        Link(f"Label, {size.replace('x', ' × ')} mm", f"{reverse('container-label', args=[it.key])}?size={size}")
        for size in SIZES
    ]
    if clock and may(roles_of(request.user), PAGES["bag"]):
        links.insert(0, Link("Record that it was opened, sealed or baked", reverse("bag", args=[it.key])))
    return _show(request, answer, facts, tables, [("container", it.key), ("lot", it.lot.key)], links)


def _left_fact(it: Container, asof: Asof) -> Link:
    left = find_left(it, asof.ticks)
    return Link(str(left) if left else "not counted", reverse("stock", args=[it.key]), f"What is done with {it.key}")


def _receipt_facts(it: Container) -> list[tuple[str, Any]]:
    """As what the supplier's label had it."""
    receipt = it.receipt
    if receipt is None:
        return []
    delivery = Delivery.objects.filter(supplier=receipt.supplier_id, number=receipt.delivery).first()
    told = {
        "Supplier’s package": receipt.package,
        "Supplier’s part number": receipt.number,
        "Order": f"{receipt.order}{receipt.order_line and f', line {receipt.order_line}'}",
        "Delivery": Ref("delivery", delivery.key, receipt.delivery) if delivery else receipt.delivery,
        "Country of origin": receipt.origin,
        "Source": "" if receipt.source_id else "not approved: received into quarantine",
    }
    return [(name, value) for name, value in told.items() if value]


def _show(
    request: HttpRequest,
    answer: Answer,
    facts: list[tuple[str, Any]],
    tables: list[Table],
    targets: list[tuple[str, str]],
    links: list[Link],
) -> HttpResponseBase:
    tables = [*tables, *approval_tables(answer.kind, answer.key)]
    every = [
        answers.places_table(answer),
        answers.units_table(answer),
        answers.customers_table(answer),
        answers.stock_table(answer),
        answers.holds_table(answers.list_open_holds(targets, answer.asof), "Nothing here is held."),
        *tables,
    ]
    record_fact = Link(f"all entries about this {answer.kind}", record_link(kind=answer.kind, key=answer.key))
    context = {
        "answer": answer,
        "asof": answer.asof,
        "facts": [*facts, ("On the record", record_fact)],
        "own": [table.name for table in tables],
        "links": [*links, *approval_links(request, answer.kind, answer.key)],
        "cost_href": reverse(f"{answer.kind}-cost", args=[answer.key]) + answer.asof.query,
    }
    context["shows_costs"] = answer.carrying and may(roles_of(request.user), COSTS)
    if context["shows_costs"]:  # reckoned where the page shows it, not for a table alone
        context["costs"] = SimpleLazyObject(lambda: summarise_costs(answer.population))
    return respond(request, "answer.html", context, every, name=f"{answer.kind}-{answer.key}")


# Why, and what it costs ----------------------------------------------------------------------------------------------


@looks_back
def lot_unit(request: HttpRequest, key: str, serial: str) -> HttpResponseBase:
    """Why a unit carries a lot."""
    return show_why(request, Answer.of(get_lot(key), read_asof(request)), serial)


@looks_back
def container_unit(request: HttpRequest, key: str, serial: str) -> HttpResponseBase:
    """Why a unit carries a container's material."""
    return show_why(request, Answer.of(get_container(clean_key(key)), read_asof(request)), serial)


def show_why(request: HttpRequest, answer: Answer, serial: str) -> HttpResponseBase:
    """Why a unit is in an answer's population, or that it is not."""
    unit = get_unit(clean_key(serial))
    carrier = next((carrier for carrier in answer.population.carriers if carrier.key == unit.key), None)
    paths = trace_paths(unit, answer.population, limit=MOST_PATHS) if carrier else []
    grouped = [(sureness, merge_paths(path for path in paths if path.sureness == sureness)) for sureness in Sureness]
    context = {
        "answer": answer,
        "asof": answer.asof,
        "unit": unit,
        "carrier": carrier,
        "where": answers.where_cell(carrier.where) if carrier else "",
        "grouped": [(sureness.value, found) for sureness, found in grouped if found],
        "cut": len(paths) == MOST_PATHS,
    }
    return render(request, "why.html", context)


@looks_back
def lot_cost(request: HttpRequest, key: str) -> HttpResponseBase:
    """What a lot costs, line by line."""
    return show_cost(request, Answer.of(get_lot(key), read_asof(request)))


@looks_back
def container_cost(request: HttpRequest, key: str) -> HttpResponseBase:
    """What a container's material costs, line by line."""
    return show_cost(request, Answer.of(get_container(clean_key(key)), read_asof(request)))


def show_cost(request: HttpRequest, answer: Answer) -> HttpResponseBase:
    """What an answer's population costs, line by line."""
    context, tables = cost_sheet(request, answer)
    return respond(request, "cost.html", context, tables, name=f"{answer.kind}-{answer.key}-cost")


# Tables --------------------------------------------------------------------------------------------------------------


def _containers_table(containers: Any, asof: Asof) -> Table:
    """A lot's containers that were in the plant by a moment. In which store each was is known for now only."""
    store = Column("store", "Store", lambda c: c.store, "store", choose=True)
    return Table(
        "containers",
        "Its containers",
        [
            Column("container", "Container", lambda c: Ref("container", c.key), "key"),
            Column("kind", "Kind", lambda c: c.kind, "kind", choose=True),
            Column("quantity", "Held at first", lambda c: c.quantity, "quantity", number=True),
            Column("received", "In the plant since", lambda c: Moment(c.received), "received"),
            *([] if asof.given else [store]),
            Column("gone", "Left the plant", lambda c: Moment(until(c.gone, asof.ticks)), "" if asof.given else "gone"),
        ],
        containers,
        "None of its containers had come into the plant by then." if asof.given else "It has no container on record.",
        search=("key", "store"),
    )


def until(moment: int | None, at: int) -> int | None:
    """An end as it was known at a moment: none where it came later."""
    return moment if moment is not None and moment <= at else None


def _derivations(wanted: Q, at: int) -> Any:
    return (
        Derivation.objects.filter(wanted, superseded=None, at__lte=at)
        .select_related("source", "result", "by")
        .order_by("at")
    )


def _filled_from_table(it: Container, at: int) -> Table:
    return Table(
        "from",
        "What it was filled from",
        [
            Column("source", "Source", lambda d: Ref("container", d.source.key) if d.source else "unknown", "source"),
            *_deed_columns(),
        ],
        _derivations(Q(result=it), at),
        "It was received as it is.",
    )


def _filled_into_table(it: Container, at: int) -> Table:
    return Table(
        "into",
        "What was filled from it",
        [Column("result", "Into", lambda d: Ref("container", d.result.key), "result__key"), *_deed_columns()],
        _derivations(Q(source=it), at),
        "Nothing was split off, merged or mixed from it.",
    )


def _deed_columns() -> list[Column]:
    return [
        Column("deed", "How", lambda d: d.get_deed_display(), "deed"),
        Column("quantity", "Quantity", lambda d: d.quantity, "quantity", number=True),
        Column("at", "When", lambda d: Moment(d.at), "at"),
        Column("by", "By", lambda d: Ref("person", d.by.key, d.by.name), "by__key"),
    ]


def _spans_table(it: Container, at: int) -> Table:
    spans = Span.objects.filter(container=it, superseded=None, since__lte=at)
    spans = spans.select_related("feed__axis__station", "feed__axis__tape")
    return Table(
        "spans",
        "Feeds it was on, or may have been",
        [
            Column("feed", "Feed", lambda s: Ref("feed", s.feed.key), "feed__key"),
            Column("place", "At", lambda s: place_of(s.feed.axis), "feed__axis__station__key"),
            Column("since", "From", lambda s: Moment(s.since) if s.since else "the beginning", "since"),
            Column(
                "until", "Until", lambda s: Moment(s.until) if s.until <= min(at, OPEN - 1) else "still there", "until"
            ),
        ],
        spans.order_by("since"),
        "It was on no feed.",
    )
