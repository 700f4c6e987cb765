"""Everything that happened to one unit, in order: passes, steps skipped, fittings, packing, shipping, holds."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.utils.html import format_html

from trace.core.clock import from_ticks
from trace.core.models import Person
from trace.core.verbs import in_trade_words
from trace.floor.models import Consignment, Fitting, Packing, Pass, Unit
from trace.holds.models import Hold
from trace.ledger.models import Event
from trace.web.cells import Moment, Ref, Several, kind_words
from trace.web.moments import Asof
from trace.web.record import entry_link, record_link
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class Happened:
    """One entry: when, of what kind, what it was in words with links, by whom."""

    at: int
    kind: str
    what: Several
    by: Ref | str


def _person(person: Person | None) -> Ref | str:
    return Ref("person", person.key, person.name) if person else ""


def _say(*words: Any) -> Several:
    return Several(tuple(word for word in words if word), " ")


def _signed(verb: str, kind: str, key: str, moment: int) -> tuple[Ref | str, str]:
    """(who did it, why in brackets) of what the ledger has under this verb about a thing at a moment:
    the records of these keep neither."""
    about = Event.objects.filter(verb=verb, subjects__kind=kind, subjects__key=key, happened=from_ticks(moment))
    event = about.select_related("by").last()
    if event is None:
        return "", ""
    return _person(event.by), _bracket(json.loads(event.payload)["arguments"].get("reason", ""))


def _bracket(reason: str) -> str:
    return f"({reason})" if reason else ""


def list_happenings(unit: Unit, asof: Asof) -> list[Happened]:
    """What happened to a unit up to a moment, the latest first."""
    found = [*_passes(unit), *_skips(unit), *_fittings(unit), *_packings(unit), *_holds(unit)]
    return sorted((one for one in found if one.at <= asof.ticks), key=lambda one: -one.at)


def _passes(unit: Unit) -> Iterator[Happened]:
    if unit.scrapped is not None:
        by, reason = _signed("scrap_unit", "unit", unit.key, unit.scrapped)
        yield Happened(unit.scrapped, "scrap", _say("scrapped", reason), by)
    by, _ = _signed("release_order", "workorder", unit.order.key, unit.created)
    yield Happened(unit.created, "order", _say("ordered on", Ref("workorder", unit.order.key)), by)
    for one in Pass.objects.filter(unit=unit, superseded=None).select_related("station", "step", "by"):
        step = f"step {one.step.number} {one.step.name} at"
        if one.scanned_in is not None or one.scanned_out is None:
            yield Happened(
                one.scanned_in or one.began,
                "pass",
                _say("into", step, Ref("station", one.station.key)),
                _person(one.by),
            )
        if one.scanned_out is not None and one.outcome:
            drew = {"none": "(drew nothing)", "unsure": "(perhaps drew)"}.get(one.drew, "") if one.axis_id else ""
            words = _say(f"{one.outcome}", step, Ref("station", one.station.key), drew)
            yield Happened(one.scanned_out, "pass", words, _person(one.by))


def _skips(unit: Unit) -> Iterator[Happened]:
    for one in unit.skips.filter(superseded=None).select_related("step", "deviation", "by"):
        words = ("skipped step", f"{one.step.number} {one.step.name}", "under deviation")
        yield Happened(one.at, "skip", _say(*words, Ref("deviation", one.deviation.key)), _person(one.by))


def _fittings(unit: Unit) -> Iterator[Happened]:
    mine = list(Fitting.objects.filter(unit=unit, superseded=None).select_related("container", "feed", "child", "by"))
    taken = {(one.designator, one.until): one.child.key for one in mine if one.child}
    for one in mine:
        content: Any = one.child and Ref("unit", one.child.key)
        content = content or (one.container and Ref("container", one.container.key))
        content = content or (one.feed and Several(("a part from", Ref("feed", one.feed.key)), " "))
        found = one.earliest is not None
        if one.holds == Fitting.Holds.NOTHING:
            child = taken.get((one.designator, one.since))
            thing = Ref("unit", child) if child else "part"
            what = _say("found empty:", one.designator) if found else _say(thing, "removed at", one.designator)
        elif one.holds == Fitting.Holds.UNKNOWN:
            perhaps = "perhaps until now" if one.since == one.until else "from now on"
            what = _say(f"{perhaps}, a unit that is not known at", one.designator)
        else:
            what = _say(content, "found at" if found else "fitted at", one.designator)
        yield Happened(one.since, "fitting", _say(*what.values, _bracket(one.reason)), _person(one.by))
    for one in Fitting.objects.filter(child=unit, superseded=None).select_related("unit", "by"):
        home = Ref("unit", one.unit.key)
        how = "fitted in" if one.earliest is None else "found in"
        yield Happened(one.since, "fitting", _say(how, home, f"at {one.designator}"), _person(one.by))
        if one.until is not None:
            removal = Fitting.objects.filter(unit=one.unit, designator=one.designator, since=one.until, superseded=None)
            out = removal.select_related("by").filter(holds=Fitting.Holds.NOTHING).first()
            left = "taken out of" if one.doubted is None else "not found in"
            words = _say(left, home, f"at {one.designator}", _bracket(out.reason if out else ""))
            yield Happened(one.until, "fitting", words, _person(out.by if out else None))
    for seen in unit.sightings.select_related("by"):
        yield Happened(seen.at, "fitting", _say("seen loose"), _person(seen.by))


def _packings(unit: Unit) -> Iterator[Happened]:
    packings = list(Packing.objects.filter(unit=unit).select_related("carton", "by"))
    for one in packings:
        carton = Ref("carton", one.carton.key)
        yield Happened(one.since, "packing", _say("packed in", carton), _person(one.by))
        if one.until is not None:
            by, reason = _signed("unpack_unit", "unit", unit.key, one.until)
            yield Happened(one.until, "packing", _say("unpacked from", carton, reason), by)
    loads = Consignment.objects.filter(carton__in=[one.carton_id for one in packings])
    for load in loads.select_related("shipment__customer", "carton"):
        packing = next(one for one in packings if one.carton_id == load.carton_id)
        departed = load.shipment.departed
        in_it = departed is not None and packing.since <= departed and (packing.until or departed) >= departed
        if departed is not None and in_it and (load.until is None or load.until >= departed):
            customer = load.shipment.customer
            words = _say(
                "shipped to", Ref("customer", customer.key, customer.name), "on", Ref("shipment", load.shipment.key)
            )
            by, _ = _signed("send_shipment", "shipment", load.shipment.key, departed)
            yield Happened(departed, "shipping", words, by)


def _holds(unit: Unit) -> Iterator[Happened]:
    holds = Hold.objects.filter(target_kind="unit", target_key=unit.key).select_related("placed_by", "released_by")
    for hold in holds:
        placed = Moment.of(hold.placed).ticks or 0
        yield Happened(placed, "hold", _say(f"held: {hold.reason}"), _person(hold.placed_by))
        if hold.released:
            released = Moment.of(hold.released).ticks or 0
            yield Happened(released, "hold", _say(f"released: {hold.release_reason}"), _person(hold.released_by))


def timeline_table(unit: Unit, asof: Asof) -> Table:
    """What happened to a unit."""
    return Table(
        "timeline",
        "What happened to it",
        [
            Column("when", "When", lambda one: Moment(one.at)),
            Column("kind", "Kind", lambda one: one.kind, choose=True),
            Column("what", "What", lambda one: one.what),
            Column("by", "By", lambda one: one.by),
        ],
        list_happenings(unit, asof),
        "Nothing has happened to it yet.",
    )


def record_table(kind: str, key: str, asof: Asof, title: str = "On the record") -> Table:
    """Ledger events about one thing: who, what, when, as they were written."""
    events = Event.objects.filter(subjects__kind=kind, subjects__key=key).select_related("by")
    if asof.moment is not None:
        events = events.filter(happened__lte=asof.moment)
    empty = f"The record has nothing about this {kind_words(kind)}."
    return events_table(events.order_by("-happened", "-id"), title, empty, kind=kind, key=key)


def events_table(events: Any, title: str, empty: str, **filters: str) -> Table:
    """Ledger events, and by which filters the record page shows all of them."""
    return Table(
        "record",
        title,
        [
            Column("happened", "Happened", lambda e: Moment.of(e.happened), "happened"),
            Column("verb", "What", lambda e: in_trade_words(e.verb), "verb"),
            Column("by", "By", lambda e: Ref("person", e.by.key, e.by.name), "by__key"),
            Column("recorded", "Recorded", lambda e: Moment.of(e.recorded), "recorded"),
            Column("event", "Entry", lambda e: entry_link(e.pk), "id", number=True),
        ],
        events,
        empty,
        search=("verb", "by__name", "by__key"),
        note=format_html('<a href="{}">All entries, with what each was about and why</a>', record_link(**filters)),
    )
