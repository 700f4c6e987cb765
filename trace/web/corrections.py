"""What can be put right once it was recorded wrongly: one operation for each kind of record, and how each is told."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.db.models import Model, QuerySet
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from trace.core.clock import OPEN
from trace.core.errors import NotFound
from trace.core.verbs import sentence
from trace.floor.models import BatchPass, Carried, Fault, Fitting, Pass, Reading, Repair, SampleEntry
from trace.floor.operations.bags import void_bag_record
from trace.floor.operations.corrections import (
    correct_board_sets,
    void_batch,
    void_count,
    void_feed_record,
    void_fitting,
    void_pass,
    void_scrapped_parts,
    void_slot,
)
from trace.floor.operations.dispatch import recall_shipment
from trace.floor.operations.faults import void_fault, void_repair
from trace.floor.operations.readings import void_reading
from trace.floor.operations.samples import void_sample_entry
from trace.ledger.models import Event
from trace.material.models import Axis, BagRecord, Count, FeedRecord, ScrappedParts
from trace.web.cells import Moment, Ref, Several
from trace.web.record import reason_in
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class Correctable:
    """A kind of record: the operation that voids one, as which argument; what is read with it; the record in words, the
    thing on whose page it stands, and what follows once it is void."""

    operation: Callable[..., Any]
    argument: str
    model: type[Model]
    reads: tuple[str, ...]
    words: Callable[[Any], tuple[Any, ...]]
    home: Callable[[Any], Ref]
    follows: str
    instead: str = ""
    """What is asked beside, where the right may be said with it: the operation takes it as `instead`."""

    @property
    def verb(self) -> str:
        return self.operation.__name__


def _unit(unit: Any) -> Ref:
    return Ref("unit", unit.key)


def _said_of_pass(one: Pass) -> tuple[Any, ...]:
    moment = one.scanned_out if one.scanned_out is not None else one.scanned_in
    came_to = one.outcome or "went into"
    step = f"{came_to} step {one.step.number}, {one.step.name}, at"
    return (_unit(one.unit), step, Ref("station", one.station.key), "on", Moment(moment))


def _said_of_fitting(one: Fitting) -> tuple[Any, ...]:
    place = (f"at {one.designator} of", _unit(one.unit), "on", Moment(one.since))
    if one.child:
        return (_unit(one.child), "fitted", *place)
    if one.container:
        return ("a part of", Ref("container", one.container.key), "fitted", *place)
    if one.feed:
        return ("a part from", Ref("feed", one.feed.key), "fitted", *place)
    return ("what was there removed" if one.holds == Fitting.Holds.NOTHING else "a unit that is not known", *place)


def when_changed(record: FeedRecord, on_clock: bool) -> Moment | Several:
    """When something was done at a feed; between which moments, where nobody knows it more exactly."""
    if on_clock and 0 < record.first < record.last < OPEN:
        return Several(("between", Moment(record.first), "and", Moment(record.last)), " ")
    return Moment(record.happened)


def _said_of_feed(one: FeedRecord) -> tuple[Any, ...]:
    container = (Ref("container", one.container.key),) if one.container else ()
    when = when_changed(one, one.feed.axis.kind == Axis.Kind.CLOCK)
    on = ("on",) if isinstance(when, Moment) else ()
    return (*container, one.get_act_display(), "at", Ref("feed", one.feed.key), *on, when)


_OF = {
    Pass: Correctable(
        void_pass,
        "entry",
        Pass,
        ("unit", "step", "station"),
        _said_of_pass,
        lambda one: _unit(one.unit),
        "The unit was not at this station: the step is due again, and nothing was drawn there for it.",
    ),
    Reading: Correctable(
        void_reading,
        "reading",
        Reading,
        ("unit", "characteristic", "step", "station"),
        lambda one: (
            f"{one.characteristic.name} of", _unit(one.unit), f"read for step {one.step.number}, {one.step.name}, at",
            Ref("station", one.station.key), "on", Moment(one.happened),
        ),
        lambda one: _unit(one.unit),
        "It was not read: where its step asks for it, the unit passes only once it is, or what was read is said here.",
        "What was read really? (may stay empty)",
    ),
    SampleEntry: Correctable(
        void_sample_entry,
        "entry",
        SampleEntry,
        ("sample__unit",),
        lambda one: (
            f"{one.done.normalize():f} {one.sample.kind} done of the {one.sample.test} of", _unit(one.sample.unit),
            "entered on", Moment(one.at),
        ),
        lambda one: _unit(one.sample.unit),
        "It was not done, and what failed then did not fail. Enter what is right afterwards.",
    ),
    Fitting: Correctable(
        void_fitting,
        "fitting",
        Fitting,
        ("unit", "child", "container", "feed"),
        _said_of_fitting,
        lambda one: _unit(one.unit),
        "The place holds again what it held before. A unit that was fitted there is free.",
    ),
    Fault: Correctable(
        void_fault,
        "fault",
        Fault,
        ("unit", "code", "station"),
        lambda one: (
            f"{one.words} of", _unit(one.unit), "found at", Ref("station", one.station.key), "on", Moment(one.found),
        ),
        lambda one: _unit(one.unit),
        "There was no such fault: the unit goes on without a repair.",
    ),
    Repair: Correctable(
        void_repair,
        "repair",
        Repair,
        ("unit",),
        lambda one: (
            f"{one.get_action_display()}{f' at {one.designator}' if one.designator else ''} in", _unit(one.unit), "on",
            Moment(one.at),
        ),
        lambda one: _unit(one.unit),
        "Its faults are open again, and what was due again by it has been passed. A part that was put in is still "
        "there on record: void that, too, where it was not.",
    ),
    Carried: Correctable(
        void_slot,
        "place",
        Carried,
        ("unit", "carrier"),
        lambda one: (
            _unit(one.unit), f"put into slot {one.slot} of", Ref("carrier", one.carrier.key), "on", Moment(one.since),
        ),
        lambda one: Ref("carrier", one.carrier.key),
        "The unit never stood in this slot. Put it into the right one afterwards.",
    ),
    BatchPass: Correctable(
        void_batch,
        "entry",
        BatchPass,
        ("container", "step", "station"),
        lambda one: (
            Ref("container", one.container.key),
            f"through step {one.step.number}, {one.step.name}, {one.quantity.normalize():f} in and"
            f" {one.good.normalize():f} good, at",
            Ref("station", one.station.key),
            "on",
            Moment(one.scanned_out),
        ),
        lambda one: Ref("container", one.container.key),
        "The step is due again, and what was counted and scrapped there is void.",
    ),
    Count: Correctable(
        void_count,
        "count",
        Count,
        ("container",),
        lambda one: (
            f"{one.quantity.normalize():f} counted in", Ref("container", one.container.key), "on", Moment(one.at),
        ),
        lambda one: Ref("container", one.container.key),
        "What is left goes by the count before. Count again afterwards.",
    ),
    ScrappedParts: Correctable(
        void_scrapped_parts,
        "scrapped",
        ScrappedParts,
        ("container",),
        lambda one: (
            f"{one.quantity.normalize():f} scrapped of", Ref("container", one.container.key), "on", Moment(one.at),
        ),
        lambda one: Ref("container", one.container.key),
        "The parts are in the container still.",
    ),
    FeedRecord: Correctable(
        void_feed_record,
        "record",
        FeedRecord,
        ("feed", "container"),
        _said_of_feed,
        lambda one: Ref("feed", one.feed.key),
        "It was not done: which units carry what is reckoned without it.",
    ),
    BagRecord: Correctable(
        void_bag_record,
        "record",
        BagRecord,
        ("container",),
        lambda one: (Ref("container", one.container.key), one.get_act_display(), "on", Moment(one.at)),
        lambda one: Ref("container", one.container.key),
        "It was not done: floor lives are reckoned without it.",
    ),
}  # fmt: skip

CORRECTABLE: Mapping[str, Correctable] = {kind._meta.model_name or "": how for kind, how in _OF.items()}
"""How each kind of record is voided, by the kind's name as the ledger has it."""

VERBS = {how.verb: kind for kind, how in CORRECTABLE.items()}
"""The kind of record that each of these operations voids."""

OTHERS = {
    correct_board_sets.__name__: ("tape", "counted board sets wrongly"),
    recall_shipment.__name__: ("shipment", "recorded as sent"),
}
"""What puts right more than one record: the kind of thing whose records those are, and what was wrong."""

EVERY = (*VERBS, *OTHERS)


@dataclass(frozen=True)
class Wrong:
    """A link from a record to where it is put right; not in the CSV."""

    kind: str
    pk: int
    what: str

    @classmethod
    def of(cls, record: Model) -> Wrong:
        how = CORRECTABLE[record._meta.model_name or ""]
        return cls(record._meta.model_name or "", record.pk, str(Several(how.words(record), " ")))

    def __str__(self) -> str:
        return ""

    def show(self, asof: str) -> SafeString:
        href = reverse("correct", args=[self.kind, self.pk])
        return format_html('<a href="{}" aria-label="This is wrong: {}">This is wrong</a>', href, self.what)


def wrong_column(record: Callable[[Any], Model | None] = lambda row: row) -> Column:
    """The last column of a table of records."""

    def cell(row: Any) -> Wrong | str:
        found = record(row)
        return Wrong.of(found) if found is not None else ""

    return Column("wrong", "Put right", cell)


@dataclass(frozen=True)
class Record:
    """One record that may be wrong, and what became of it."""

    how: Correctable
    it: Any

    @cached_property
    def words(self) -> Several:
        return Several(self.how.words(self.it), " ")

    @property
    def home(self) -> Ref:
        return self.how.home(self.it)

    @cached_property
    def voided(self) -> Event | None:
        """The entry that voided it, if one did."""
        about = Event.objects.filter(verb=self.how.verb, **_about(self.it)).select_related("by")
        return next((event for event in about if _names(event, self.how, self.it.pk)), None)

    @property
    def reason(self) -> str:
        return reason_in(json.loads(self.voided.payload)) if self.voided else ""


def _about(it: Model) -> dict[str, str]:
    return {"subjects__kind": it._meta.model_name or "", "subjects__key": str(it.pk)}


def _names(event: Event, how: Correctable, pk: int) -> bool:
    told = json.loads(event.payload)["arguments"][how.argument]
    return bool(told == f"{how.model._meta.model_name}:{pk}")


def find_record(kind: str, pk: int) -> Record:
    """The record of a kind and number, or NotFound."""
    how = CORRECTABLE.get(kind)
    it = how and how.model._default_manager.select_related(*how.reads).filter(pk=pk).first()
    if how is None or it is None:
        raise NotFound("There is no such record.")
    return Record(how, it)


def list_corrections(kind: str = "", key: str = "") -> QuerySet[Event]:
    """What was put right, of everything or of one thing, the latest first."""
    events = Event.objects.filter(verb__in=EVERY).select_related("by").order_by("-recorded", "-pk")
    return events.filter(subjects__kind=kind, subjects__key=key) if kind else events


def describe(event: Event) -> Several | str:
    """What an entry put right, in words."""
    arguments = json.loads(event.payload)["arguments"]
    if event.verb in OTHERS:
        kind, wrong = OTHERS[event.verb]
        return Several((Ref(kind, arguments[kind].partition(":")[2]), wrong), " ")
    kind = VERBS[event.verb]
    return find_record(kind, int(arguments[CORRECTABLE[kind].argument].partition(":")[2])).words


def corrections_table(events: QuerySet[Event], empty: str = "Nothing of it was put right.") -> Table:
    """What was recorded wrongly and put right: by whom, and why."""
    return Table(
        "corrections",
        "Recorded wrongly, and put right",
        [
            Column("recorded", "When", lambda event: Moment.of(event.recorded), "recorded"),
            Column("verb", "What was done", lambda event: sentence(event.verb), "verb"),
            Column("what", "Recorded wrongly", describe),
            Column("why", "Why", lambda event: reason_in(json.loads(event.payload))),
            Column("by", "By", lambda event: Ref("person", event.by.key, event.by.name), "by__key"),
        ],
        events,
        empty,
        search=("by__name", "payload"),
    )
