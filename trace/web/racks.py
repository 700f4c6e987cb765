"""Racks and panels as pages show them: slot by slot, what was in them, who stayed behind."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q, QuerySet

from trace.floor.admission import places_of
from trace.floor.carrying import list_carried
from trace.floor.models import Carried, Carrier
from trace.floor.queries import find_due_steps
from trace.ledger.models import Event
from trace.web.cells import Moment, Ref, Several
from trace.web.corrections import wrong_column
from trace.web.tables import Column, Table

SCANS = {
    "start_carrier": "scanned in",
    "finish_carrier": "scanned out",
    "pass_carrier": "scanned through",
}
"""What is said of each operation on all that is in a rack or panel."""


@dataclass(frozen=True)
class Slot:
    """A slot, what stands in it, and what is next for that."""

    number: int
    stands: Carried | None
    state: str


@dataclass(frozen=True)
class Scanned:
    """The last scan of a rack or panel: what was done with it, how many went, and who did not with all that stopped
    them."""

    event: Event
    words: str
    went: int
    behind: Mapping[str, list[str]]


def list_slots(carrier: Carrier) -> list[Slot]:
    """Slot by slot; of a panel that was parted, nothing."""
    standing = {one.slot: one for one in list_carried(carrier)}
    units = [one.unit for one in standing.values()]
    places, due = places_of(units), find_due_steps(units)

    def state(one: Carried) -> str:
        if one.unit.scrapped is not None:
            return "scrapped"
        if station := places.get(one.unit_id, {}).get("inside_at"):
            return f"inside {station}"
        step = due.get(one.unit_id)
        return f"due for step {step.number}, {step.name}" if step else "finished"

    if carrier.parted is not None:
        return []
    empty = "no board" if carrier.goes_as_one else "free"
    return [
        Slot(number, standing.get(number), state(standing[number]) if number in standing else empty)
        for number in range(1, carrier.slots + 1)
    ]


def find_last_scan(carrier: Carrier) -> Scanned | None:
    """What became of the last scan, as the record has it."""
    about = Event.objects.filter(verb__in=SCANS, subjects__kind="carrier", subjects__key=carrier.key)
    event = about.select_related("by").order_by("-recorded", "-pk").first()
    if event is None:
        return None
    facts = json.loads(event.payload)["facts"]
    return Scanned(event, SCANS[event.verb], len(facts["went"]), facts["behind"])


def sum_up(slots: list[Slot]) -> str:
    """Where what is in it stands: “2 inside INSERT; 1 due for step 20, Test”; how many where that differs."""
    states: dict[str, int] = {}
    for slot in slots:
        if slot.stands:
            states[slot.state] = states.get(slot.state, 0) + 1
    return "; ".join(f"{number} {state}" if len(states) > 1 else state for state, number in states.items())


def slots_table(carrier: Carrier, slots: list[Slot]) -> Table:
    def unit(slot: Slot) -> Ref | str:
        return Ref("unit", slot.stands.unit.key) if slot.stands else ""

    def part(slot: Slot) -> Ref | str:
        return Ref("part", slot.stands.unit.part.key) if slot.stands else ""

    word = "Place" if carrier.goes_as_one else "Slot"
    put_right = [] if carrier.goes_as_one else [wrong_column(lambda slot: slot.stands)]
    return Table(
        "slots",
        f"{word} by {word.lower()}",
        [
            Column("slot", word, lambda slot: slot.number, number=True),
            Column("unit", "Unit", unit),
            Column("part", "Part", part),
            Column("state", "State", lambda slot: slot.state, choose=True),
            Column("since", "Since", lambda slot: Moment(slot.stands.since) if slot.stands else ""),
            *put_right,
        ],
        slots,
        "It was parted: its boards go one by one." if carrier.parted is not None else "It has no slots.",
    )


def history_table(carrier: Carrier) -> Table:
    """What stood in it, and until when."""
    return Table(
        "history",
        "What stood in it",
        [
            Column("since", "From", lambda one: Moment(one.since), "since"),
            Column("until", "Until", lambda one: Moment(one.until) if one.until is not None else "now", "until"),
            Column("unit", "Unit", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("slot", "Slot", lambda one: one.slot, "slot", number=True),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
        ],
        carrier.carried.filter(superseded=None).select_related("unit", "by").order_by("-since", "slot"),
        "Nothing stood in it yet.",
        search=("unit__key",),
    )


def carriers_table(carriers: QuerySet[Carrier]) -> Table:
    inside = Count("carried", filter=Q(carried__until=None, carried__superseded=None))

    def what(one: Any) -> str | Several:
        return Several(("panel of", Ref("part", one.part.key)), " ") if one.part else "rack"

    return Table(
        "racks",
        "Racks and panels",
        [
            Column("key", "Label", lambda one: Ref("carrier", one.key), "key"),
            Column("kind", "What it is", what, "kind"),
            Column("inside", "In it now", lambda one: one.inside, "inside", number=True),
            Column("slots", "Slots", lambda one: one.slots, "slots", number=True),
            Column("ordered", "In order", lambda one: "yes" if one.ordered else "no", "ordered"),
            Column("parted", "Parted", lambda one: Moment(one.parted), "parted"),
        ],
        carriers.select_related("part").annotate(inside=inside).order_by("parted", "key"),
        "No rack is on record. A planner defines racks, in the list of racks.",
        search=("key", "part__key"),
    )


def behind_table(scanned: Scanned) -> Table:
    """Who stayed behind at the last scan, and why."""
    return Table(
        "behind",
        "Stayed behind: take them out, and put them aside",
        [
            Column("unit", "Unit", lambda row: Ref("unit", row[0])),
            Column("why", "Why", lambda row: " ".join(why.removeprefix("Stop. ") for why in row[1])),
        ],
        sorted(scanned.behind.items()),
        "Everybody went.",
    )
