"""Everything that happened to one unit, in order: passes, steps skipped, fittings, packing, shipping, holds."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Model
from django.urls import reverse
from django.utils.html import format_html

from trace.core.clock import from_ticks
from trace.core.models import Person
from trace.core.verbs import in_trade_words
from trace.floor.models import (
    Consignment,
    Diagnosis,
    Fault,
    Fitting,
    Packing,
    Pass,
    Repair,
    Shipment,
    Stacking,
    Unit,
)
from trace.holds.models import Hold
from trace.holds.queries import list_dispositions
from trace.ledger.models import Event
from trace.web.cells import Link, Moment, Ref, Several, kind_words
from trace.web.corrections import describe, list_corrections, wrong_column
from trace.web.moments import Asof
from trace.web.record import entry_link, reason_in, record_link
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class Happened:
    """One entry: when, of what kind, what it was in words with links, by whom; the record, where it may be wrong."""

    at: int
    kind: str
    what: Several
    by: Ref | str
    record: Model | None = None


def _person(person: Person | None) -> Ref | str:
    return Ref("person", person.key, person.name) if person else ""


def _say(*words: Any) -> Several:
    return Several(tuple(word for word in words if word), " ")


def _signed(verb: str, kind: str, key: str, moment: int | None) -> tuple[Ref | str, str]:
    """(who did it, why in brackets) of what the ledger has under this verb about a thing at a moment, or at any:
    the records of these keep neither."""
    about = Event.objects.filter(verb=verb, subjects__kind=kind, subjects__key=key)
    if moment is not None:
        about = about.filter(happened=from_ticks(moment))
    event = about.select_related("by").last()
    if event is None:
        return "", ""
    return _person(event.by), _bracket(json.loads(event.payload)["arguments"].get("reason", ""))


def _bracket(reason: str) -> str:
    return f"({reason})" if reason else ""


def list_happenings(unit: Unit, asof: Asof) -> list[Happened]:
    """What happened to a unit up to a moment, the latest first."""
    found = [
        *_passes(unit),
        *_skips(unit),
        *_fittings(unit),
        *_faults(unit),
        *_racks(unit),
        *_samples(unit),
        *_packings(unit),
        *_returns(unit),
        *_holds(unit),
        *_corrections(unit),
        *_conformities(unit),
    ]
    return sorted((one for one in found if one.at <= asof.ticks), key=lambda one: -one.at)


def _passes(unit: Unit) -> Iterator[Happened]:
    if unit.scrapped is not None:
        by, reason = _signed("scrap_unit", "unit", unit.key, unit.scrapped)
        yield Happened(unit.scrapped, "scrap", _say("scrapped", reason), by)
    by, _ = _signed("release_order", "workorder", unit.order.key, unit.created)
    yield Happened(unit.created, "order", _say("ordered on", Ref("workorder", unit.order.key)), by)
    standing = Pass.objects.filter(unit=unit, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    for one in standing.select_related("unit", "station", "step", "by"):
        step = f"step {one.step.number} {one.step.name} at"
        if one.scanned_in is not None or one.scanned_out is None:
            yield Happened(
                one.scanned_in or one.began,
                "pass",
                _say("into", step, Ref("station", one.station.key)),
                _person(one.by),
                one,
            )
        if one.scanned_out is not None and one.outcome:
            drew = {"none": "(drew nothing)", "unsure": "(perhaps drew)"}.get(one.drew, "") if one.axis_id else ""
            words = _say(f"{one.outcome}", step, Ref("station", one.station.key), drew)
            yield Happened(one.scanned_out, "pass", words, _person(one.by), one)


def _skips(unit: Unit) -> Iterator[Happened]:
    for one in unit.skips.filter(superseded=None).select_related("step", "deviation", "by"):
        words = ("skipped step", f"{one.step.number} {one.step.name}", "under deviation")
        yield Happened(one.at, "skip", _say(*words, Ref("deviation", one.deviation.key)), _person(one.by))


def _fittings(unit: Unit) -> Iterator[Happened]:
    mine = list(
        Fitting.objects.filter(unit=unit, superseded=None).select_related("unit", "container", "feed", "child", "by")
    )
    taken = {(one.designator, one.until): one.child.key for one in mine if one.child}
    for one in mine:
        content: Any = one.child and Ref("unit", one.child.key)
        content = content or (one.container and Ref("container", one.container.key))
        content = content or (one.feed and Several(("a part from", Ref("feed", one.feed.key)), " "))
        found = one.earliest is not None
        if one.holds == Fitting.Holds.NOTHING:
            child = taken.get((one.designator, one.since))
            thing = Ref("unit", child) if child else "part"
            gone = _say(thing, "removed at", one.designator, one.goes_to and f"and sent to {one.goes_to}")
            what = _say("found empty:", one.designator) if found else gone
        elif one.holds == Fitting.Holds.UNKNOWN:
            perhaps = "perhaps until now" if one.since == one.until else "from now on"
            what = _say(f"{perhaps}, a unit that is not known at", one.designator)
        else:
            what = _say(content, "found at" if found else "fitted at", one.designator)
        yield Happened(one.since, "fitting", _say(*what.values, _bracket(one.reason)), _person(one.by), one)
    for one in Fitting.objects.filter(child=unit, superseded=None).select_related("unit", "by"):
        home = Ref("unit", one.unit.key)
        how = "fitted in" if one.earliest is None else "found in"
        yield Happened(one.since, "fitting", _say(how, home, f"at {one.designator}"), _person(one.by))
        if one.until is not None:
            removal = Fitting.objects.filter(unit=one.unit, designator=one.designator, since=one.until, superseded=None)
            out = removal.select_related("by").filter(holds=Fitting.Holds.NOTHING).first()
            left = "taken out of" if one.doubted is None else "not found in"
            sent = f"and sent to {out.goes_to}" if out and out.goes_to else ""
            words = _say(left, home, f"at {one.designator}", sent, _bracket(out.reason if out else ""))
            yield Happened(one.until, "fitting", words, _person(out.by if out else None))
    for seen in unit.sightings.select_related("by"):
        yield Happened(seen.at, "fitting", _say("seen loose"), _person(seen.by))


def _racks(unit: Unit) -> Iterator[Happened]:
    for one in unit.carried.filter(superseded=None).select_related("unit", "carrier", "by"):
        carrier = Ref("carrier", one.carrier.key)
        slot = f"{'place' if one.carrier.goes_as_one else 'slot'} {one.slot} of"
        wrong = None if one.carrier.goes_as_one else one
        yield Happened(one.since, "rack", _say("in", slot, carrier), _person(one.by), wrong)
        if one.until is not None:
            left = "parted from" if one.carrier.goes_as_one else "out of"
            yield Happened(one.until, "rack", _say(left, carrier), "")


def _conformities(unit: Unit) -> Iterator[Happened]:
    for one in unit.conformities.filter(superseded=None).select_related("part", "by"):
        words = _say("conforms to", Ref("part", one.part.key), _bracket(one.reason))
        yield Happened(one.at, "revision", words, _person(one.by))


def _samples(unit: Unit) -> Iterator[Happened]:
    for one in unit.samples.select_related("by", "started_by", "ended_by"):
        test = Link(one.test, reverse("sample", args=[one.pk]), f"{one.test} of {unit.key}")
        yield Happened(one.owed, "sample", _say("owes the", test), _person(one.by))
        if one.started is not None:
            yield Happened(one.started, "sample", _say("begins the", test), _person(one.started_by))
        if one.ended is not None:
            result = one.get_result_display()
            yield Happened(one.ended, "sample", _say(test, f"{result}", _bracket(one.reason)), _person(one.ended_by))


def _faults(unit: Unit) -> Iterator[Happened]:
    for one in Fault.objects.filter(unit=unit, superseded=None).select_related("code", "station", "by"):
        words = _say(one.words, "found at", Ref("station", one.station.key), _bracket(one.note))
        yield Happened(one.found, "fault", words, _person(one.by), one)
    for it in Diagnosis.objects.filter(fault__unit=unit, superseded=None).select_related(
        "fault__code", "cause", "step", "by"
    ):
        caused = f"caused at step {it.step}" if it.step else ""
        words = _say(f"{it.fault.words}:", f"{it.cause.name},", caused, _bracket(it.note))
        yield Happened(it.at, "diagnosis", words, _person(it.by))
    for done in Repair.objects.filter(unit=unit, superseded=None).select_related("station", "returns", "by"):
        station = ("by repair at", Ref("station", done.station.key)) if done.station else ()
        place = f"at {done.designator}" if done.designator else ""
        back = f"back to step {done.returns}" if done.returns else ""
        words = _say(done.get_action_display(), place, *station, back, _bracket(done.note))
        yield Happened(done.at, "repair", words, _person(done.by), done)
    for decided in list_dispositions("unit", unit.key).select_related("decided_by"):
        words = _say(f"{decided.decision} decided in", Ref("disposition", decided.key), _bracket(decided.reason))
        yield Happened(Moment.of(decided.decided).ticks or 0, "disposition", words, _person(decided.decided_by))


def _corrections(unit: Unit) -> Iterator[Happened]:
    for event in list_corrections("unit", unit.key):
        reason = _bracket(reason_in(json.loads(event.payload)))
        words = _say("recorded wrongly:", describe(event), reason)
        yield Happened(Moment.of(event.happened).ticks or 0, "correction", words, _person(event.by))


def _packings(unit: Unit) -> Iterator[Happened]:
    packings = list(Packing.objects.filter(unit=unit).select_related("carton", "by"))
    back = set(unit.returns.values_list("received", flat=True))  # what came back was not unpacked here
    for one in packings:
        carton = Ref("carton", one.carton.key)
        yield Happened(one.since, "packing", _say("packed in", carton), _person(one.by))
        if one.until is not None and one.until not in back:
            by, reason = _signed("unpack_unit", "unit", unit.key, one.until)
            yield Happened(one.until, "packing", _say("unpacked from", carton, reason), by)

    def in_it(carton: int, moment: int) -> bool:
        stays = (one for one in packings if one.carton_id == carton)
        return any(one.since <= moment and (one.until is None or moment < one.until) for one in stays)

    cartons = {one.carton_id for one in packings}
    for stacking in Stacking.objects.filter(carton__in=cartons).select_related("pallet", "carton", "by"):
        if in_it(stacking.carton_id, stacking.since):
            on = Ref("pallet", stacking.pallet.key)
            yield Happened(stacking.since, "packing", _say("stacked on pallet", on), _person(stacking.by))
            if stacking.until is not None:
                by, reason = _signed("unstack_carton", "carton", stacking.carton.key, stacking.until)
                yield Happened(stacking.until, "packing", _say("taken off pallet", on, reason), by)
    for load in Consignment.objects.filter(carton__in=cartons).select_related("shipment__customer", "carton"):
        if not in_it(load.carton_id, load.since):
            continue
        departed, on = load.shipment.departed, Ref("shipment", load.shipment.key)
        if load.until is not None and load.until == departed:
            by, reason = _signed("recall_shipment", "shipment", load.shipment.key, None)
            yield Happened(load.until, "packing", _say("still here: never departed on", on, reason), by)
        elif load.until is not None:
            by, reason = _signed("unload_shipment", "carton", load.carton.key, load.until)
            yield Happened(load.until, "packing", _say("unloaded from", on, reason), by)
        elif departed is not None:
            customer = load.shipment.customer
            words = _say("shipped to", Ref("customer", customer.key, customer.name), "on", on)
            by, _ = _signed("send_shipment", "shipment", load.shipment.key, departed)
            yield Happened(departed, "shipping", words, by)


def _returns(unit: Unit) -> Iterator[Happened]:
    for one in unit.returns.filter(superseded=None).select_related("customer", "by", "closed_by", "disposition"):
        customer, back = Ref("customer", one.customer.key, one.customer.name), Ref("return", one.key)
        reference = f"as {one.reference}" if one.reference else ""
        words = _say("returned by", customer, reference, "in", back, _bracket(one.complaint))
        yield Happened(one.received, "return", words, _person(one.by))
        if one.closed is not None and one.disposition:
            decided = (f"closed: {one.disposition.decision} by", Ref("disposition", one.disposition.key))
            yield Happened(one.closed, "return", _say(back, *decided, _bracket(one.outcome)), _person(one.closed_by))


def list_departures(units: Iterable[Unit]) -> list[Shipment]:
    """The shipments on which units left, by when they departed."""
    packings = list(Packing.objects.filter(unit__in=units))
    loads = Consignment.objects.filter(carton__in=[one.carton_id for one in packings], shipment__departed__isnull=False)
    found = {}
    for load in loads.select_related("shipment__customer").order_by("shipment__departed"):
        departed = load.shipment.departed or 0
        packed = any(
            one.carton_id == load.carton_id and one.since <= departed <= (one.until or departed) for one in packings
        )
        if packed and (load.until is None or load.until > departed):
            found[load.shipment_id] = load.shipment
    return [*found.values()]


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
            wrong_column(lambda one: one.record),
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
