"""Which units wait for a station: those whose next step is done there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, QuerySet

from trace.engineering.models import Station, Step
from trace.engineering.queries import list_steps
from trace.floor.faults import keep_open, list_open_faults
from trace.floor.models import Fault, Fitting, Packing, Pass, Repair, Unit, WorkOrder
from trace.floor.queries import find_due_choices

LAST_SCANS = 200
"""So many of the latest passes at the stations before are looked at, and so many units that were not begun: a look that
costs the same however long the plant has run."""

LAST_ORDERS = 5


@dataclass(frozen=True)
class Waiting:
    """A unit that waits, for which step, since when it was scanned last (ordered, where it never was)."""

    unit: Unit
    step: Step
    since: int

    @property
    def scanned(self) -> bool:
        """Whether it was scanned anywhere yet."""
        return self.since > self.unit.created


def list_waiting(station: Station) -> list[Waiting]:
    """The units due at a station that wait for it, whoever was scanned first coming first. Those that come from
    further back than LAST_SCANS are not among them."""
    candidates = {unit.pk: unit for unit in _candidates(station)}
    ready = list(_ready(Unit.objects.filter(pk__in=candidates)).select_related("part"))
    due = find_due_choices(ready)
    since = {unit.pk: unit.created for unit in ready}
    scans = Pass.objects.filter(unit__in=ready, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    for unit, into, out in scans.values_list("unit", "scanned_in", "scanned_out"):
        since[unit] = max(since[unit], into or 0, out or 0)
    waiting = [
        Waiting(unit, step, since[unit.pk])
        for unit in ready
        if (step := next((one for one in due.get(unit.pk, ()) if station in one.stations.all()), None))
    ]
    return sorted(waiting, key=lambda one: (one.since, one.unit.pk))


@dataclass(frozen=True)
class ToRepair:
    """A unit that waits for repair: its open faults in words, or the step that it failed; where, and since when."""

    unit: Unit
    faults: str
    step: Step | None
    station: Station
    since: int


def list_to_repair() -> list[ToRepair]:
    """The units with an open fault, and those that failed the step due and have none on record yet, of the last
    LAST_SCANS failures; who waits longest first."""
    where = Pass.objects.filter(outcome=Pass.Outcome.FAILED, superseded=None).order_by("-began")
    failed = {
        entry.unit_id: entry
        for entry in reversed(list(where.select_related("unit__part", "step", "station")[:LAST_SCANS]))
    }
    there = Unit.objects.filter(scrapped=None).exclude(Exists(Packing.objects.filter(unit=OuterRef("pk"), until=None)))
    faulty = list_open_faults(there.filter(Exists(keep_open(Fault.objects.filter(unit=OuterRef("pk"))))))
    found = [
        ToRepair(
            faults[0].unit, ", ".join(one.words for one in faults), faults[0].step, faults[0].station, faults[0].found
        )
        for faults in faulty.values()
    ]
    answered = set(Repair.objects.filter(unit__in=failed, superseded=None).values_list("unit", "at"))
    ready = set(_ready(Unit.objects.filter(pk__in=failed)).values_list("pk", flat=True))
    due = find_due_choices([entry.unit for entry in failed.values() if entry.unit_id in ready])
    for pk, entry in failed.items():
        since = entry.scanned_out or entry.began
        if entry.step in due.get(pk, ()) and not any(unit == pk and at >= since for unit, at in answered):
            found.append(ToRepair(entry.unit, "", entry.step, entry.station, since))
    return sorted(found, key=lambda one: (one.since, one.unit.pk))


def _candidates(station: Station) -> Iterable[Unit]:
    """Units that came by the step before lately, or failed here, or were ordered and not begun."""
    before = {station.pk}
    begin = set()
    for part in {step.part for step in station.steps.filter(part__retired=None).select_related("part")}:
        route = list_steps(part)
        for number, step in enumerate(route):
            if station not in step.stations.all():
                continue
            earlier = [one for one in route[:number] if not _alike(one, step)]
            begin |= set() if earlier else {part.pk}
            last = [one for one in route[:number] if earlier and (one == earlier[-1] or _alike(one, earlier[-1]))]
            together = [one for one in route if _alike(one, step)]
            before |= {place.pk for one in [*last, *together] for place in one.stations.all()}
    for pk in before:
        latest = Pass.objects.filter(station=pk, superseded=None).order_by("-began").select_related("unit")
        yield from (entry.unit for entry in latest[:LAST_SCANS])
    for part_id in begin:
        orders = list(WorkOrder.objects.filter(part=part_id, closed=None).order_by("-released")[:LAST_ORDERS])
        never = ~Exists(Pass.objects.filter(unit=OuterRef("pk"), superseded=None))
        yield from Unit.objects.filter(never, order__in=orders).order_by("pk")[:LAST_SCANS]


def _alike(one: Step, other: Step) -> bool:
    """Whether two steps go in any order, or are alternatives of each other."""
    return (
        one != other
        and bool(one.free_order or one.alternative)
        and (one.free_order, one.alternative)
        == (
            other.free_order,
            other.alternative,
        )
    )


def _ready(units: QuerySet[Unit]) -> QuerySet[Unit]:
    """Those of them that can be worked on: not scrapped, fitted, packed, inside a station or with an open fault."""
    inside = Pass.objects.filter(unit=OuterRef("pk"), inside=True, superseded=None)
    fitted = Fitting.objects.filter(child=OuterRef("pk"), until=None, superseded=None)
    packed = Packing.objects.filter(unit=OuterRef("pk"), until=None)
    faulty = keep_open(Fault.objects.filter(unit=OuterRef("pk")))
    return units.filter(~Exists(inside), ~Exists(fitted), ~Exists(packed), ~Exists(faulty), scrapped=None)
