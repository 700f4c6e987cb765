"""The home of the material area, and what suppliers say is on its way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse

from trace.core.errors import NotFound, Refusal
from trace.core.keys import clean_key
from trace.core.permissions import OPERATIONS, PAGES, check_permitted, in_words, may, roles_of
from trace.engineering.operations.common import FileRefused
from trace.exchange.shipping_list import COLUMNS, LAYOUT, import_shipping_list
from trace.exchange.statuses import status_of
from trace.material.models import Call, Delivery, Supplier
from trace.material.operations.deliveries import DeliveryRefused, close_delivery
from trace.material.queries import DeliveryState, summarise_delivery
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.forms import asking
from trace.web.moments import Asof
from trace.web.tables import Column, Table, respond
from trace.web.timeline import record_table


@dataclass(frozen=True)
class Task:
    """Something to be done with material: the page where it is, what it is called, what it is for."""

    page: str
    title: str
    words: str


TASKS = (
    Task("receive", "Receive a package", "Scan its supplier’s label, or type what is printed on it."),
    Task(
        "deliveries",
        "Expected deliveries",
        "Bring in a supplier’s shipping list; see what came, is missing or surplus.",
    ),
    Task("inspections", "Inspect and release lots", "See which lots wait, record what was found, decide about them."),
    Task("labels", "Print labels", "For reels, boxes and bags: on sheets, or single."),
    Task("calls", "Calls for material", "Call for what a station lacks, issue it, say that it was brought."),
    Task("clocks", "What runs out", "See which floor lives and expiry dates end soonest, and what to do."),
    Task("counts", "What must be counted", "See what gave more than it held, and places to be counted or cleared."),
    Task("tapes", "Tapes", "Plan a tape from stock, build it, mount it."),
)
"""What there is to do, in the order of the day."""


def material(request: HttpRequest) -> HttpResponseBase:
    """What there is to do with material, for who asks."""
    tasks = [task for task in TASKS if may(roles_of(request.user), PAGES[task.page])]
    context = {
        "tasks": tasks,
        "open": Delivery.objects.filter(closed=None).count(),
        "calls": Call.objects.filter(delivered=None, withdrawn=None).count(),
    }
    return render(request, "material.html", context)


def deliveries(request: HttpRequest) -> HttpResponseBase:
    """Deliveries that were announced, and the form that brings in a shipping list."""
    permitted = OPERATIONS["expect_delivery"]
    context: dict[str, Any] = {
        "suppliers": Supplier.objects.filter(is_plant=False).order_by("name"),
        "sent": request.POST,
        "needed": [name for names in LAYOUT.needed.values() for name in names],
        "columns": list(COLUMNS),
        "may": may(roles_of(request.user), permitted),
        "who": in_words(permitted),
        "open": Delivery.objects.filter(closed=None).count(),
    }
    status = 200
    if request.method == "POST":
        try:
            report = _bring_in(request, context)
            if not report.dry_run:
                return HttpResponseRedirect(reverse("delivery", args=[report.delivery.key]))
            context["report"] = report
        except Refusal as refusal:
            context["refusal"], status = refusal, status_of(refusal)
            context["problems"] = refusal.problems[:100] if isinstance(refusal, FileRefused) else []
    response = respond(request, "deliveries.html", context, [_deliveries_table()], name="deliveries")
    response.status_code = status
    return response


def _bring_in(request: HttpRequest, context: dict[str, Any]) -> Any:
    by = request.user.person  # type: ignore[union-attr]
    check_permitted(str(by), by.roles, "expect_delivery")  # type: ignore[union-attr]
    sent, file = request.POST, request.FILES.get("file")
    content: bytes | str = file.read() if file else sent.get("content", "")
    context["content"] = content.decode("utf-8-sig", "replace") if isinstance(content, bytes) else content
    key = sent.get("supplier", "")
    supplier = Supplier.objects.filter(key=key, is_plant=False).first() if key.isprintable() else None
    if supplier is None:
        raise DeliveryRefused("Say who sends it.", action="Choose the supplier.")
    look = sent.get("do") != "bring in"
    told = {"supplier": supplier, "number": sent.get("number", ""), "content": content, "dry_run": look}
    return import_shipping_list(**told, **asking(request))  # type: ignore[arg-type]


def delivery(request: HttpRequest, key: str) -> HttpResponseBase:
    """How one delivery came in; it is closed here."""
    it = Delivery.objects.select_related("supplier", "by", "closed_by").filter(key=clean_key(key)).first()
    if it is None:
        raise NotFound(f"No delivery has the key {key[:60]}.")
    refusal = None
    if request.method == "POST":
        try:
            close_delivery(delivery=it, remark=request.POST.get("remark", ""), **asking(request))
            return HttpResponseRedirect(reverse("delivery", args=[it.key]))
        except Refusal as refused:
            refusal = refused
    state = summarise_delivery(it)
    came = len(state.lines) - len(state.missing)
    begun = bool(came or it.closed)  # before that nothing is missing: it is on its way
    context = {
        "it": it,
        "begun": begun,
        "state": state,
        "refusal": refusal,
        "sent": request.POST,
        "may": may(roles_of(request.user), OPERATIONS["close_delivery"]),
        "came": came,
    }
    tables = [_lines_table(state, begun), _surplus_table(state), record_table("delivery", it.key, Asof())]
    response = respond(request, "delivery.html", context, tables, name=f"delivery-{it.key}")
    if refusal:
        response.status_code = status_of(refusal)
    return response


def _deliveries_table() -> Table:
    here = Q(lines__receipt__isnull=False)
    rows = Delivery.objects.select_related("supplier", "by").annotate(
        every=Count("lines", distinct=True), here=Count("lines", filter=here, distinct=True)
    )

    def count(delivery: Any, number: int, words: str) -> Link:
        return Link(number, reverse("delivery", args=[delivery.key]), f"{number} {words}: {delivery.key}")

    return Table(
        "deliveries",
        "Deliveries",
        [
            Column("delivery", "Delivery", lambda d: Ref("delivery", d.key), "key"),
            Column("supplier", "Supplier", lambda d: Ref("supplier", d.supplier.key), "supplier__key", choose=True),
            Column("number", "Supplier’s number", lambda d: d.number, "number"),
            Column("every", "Lines", lambda d: count(d, d.every, "lines"), "every", number=True),
            Column("here", "Came", lambda d: count(d, d.here, "came"), "here", number=True),
            Column(
                "missing",
                "Missing",
                lambda d: count(d, (d.here or d.closed) and d.every - d.here, "missing"),
                number=True,
            ),
            Column("closed", "State", lambda d: "closed" if d.closed else "open", "closed"),
            Column("announced", "Announced", lambda d: Moment.of(d.announced), "announced"),
            Column("by", "By", lambda d: Ref("person", d.by.key, d.by.name), "by__key"),
        ],
        rows.order_by("-announced", "-pk"),
        "No delivery was announced yet. Bring in a supplier’s shipping list.",
        search=("key", "number", "supplier__name"),
    )


def _lines_table(state: DeliveryState, begun: bool) -> Table:
    other = {line.pk: amount for line, amount in state.different}

    def said(line: Any) -> Any:
        if line.receipt_id is None:
            return Mark("missing") if begun else "on its way"
        if line.pk not in other:
            return Mark("came")
        amount = other[line.pk]
        return Several(("came with", "what nobody counted" if amount is None else amount), " ")

    def containers(line: Any) -> Several:
        if line.receipt is None:
            return Several(())
        return Several(
            tuple(Ref("container", c.key) for c in line.receipt.containers.all() if c.lot.number == line.lot)
        )

    return Table(
        "lines",
        "The shipping list",
        [
            Column("package", "Supplier’s package", lambda line: line.package),
            Column("state", "State", said, choose=True),
            Column("part", "Part", lambda line: Ref("part", line.part.key)),
            Column("number", "Supplier’s part number", lambda line: line.number),
            Column("lot", "Lot", lambda line: line.lot),
            Column("code", "Date code", lambda line: line.date_code),
            Column("quantity", "Quantity", lambda line: line.quantity, number=True),
            Column("order", "Order", lambda line: line.order),
            Column("containers", "Received as", containers),
        ],
        state.lines,
        "The list has no lines.",
    )


def _surplus_table(state: DeliveryState) -> Table:
    return Table(
        "surplus",
        "Came with it, and is not on its list",
        [
            Column(
                "containers",
                "Received as",
                lambda r: Several(tuple(Ref("container", c.key) for c in r.containers.all())),
            ),
            Column("part", "Part", lambda r: Ref("part", r.part.key)),
            Column("package", "Supplier’s package", lambda r: r.package),
            Column("received", "When", lambda r: Moment.of(r.received)),
            Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name)),
        ],
        state.surplus,
        "Nothing came with it that is not on its list.",
    )
