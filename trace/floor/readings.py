"""What a step asks to be measured and judged of a unit, and what was read in this visit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db.models import QuerySet

from trace.core.clock import OPEN
from trace.engineering.models import Characteristic, Step
from trace.engineering.rules import say_limits
from trace.floor.evidence import Visit, list_visits
from trace.floor.models import Pass, Reading, Unit
from trace.floor.route import RouteStep


class Window(NamedTuple):
    """A visit of a unit for a step: whose readings count that were made from one moment up to another."""

    unit: Unit
    step: Step | RouteStep
    since: int
    until: int


@dataclass(frozen=True)
class Asked:
    """A characteristic that a step asks of a unit, and its last reading in this visit, if there is one."""

    characteristic: Characteristic
    reading: Reading | None = None

    @property
    def good(self) -> bool | None:
        """Whether it lets the unit pass; None where it was not read yet."""
        return self.reading.passes if self.reading else None

    @property
    def must(self) -> str:
        """What it must be, in words."""
        return say_asked(self.characteristic)


def say_asked(it: Characteristic) -> str:
    """In words, what a characteristic must be."""
    return f"good, says {it.judge}" if it.judge else say_limits(it.lower, it.upper, it.unit_of_measure)


def list_characteristics(step: Step) -> list[Characteristic]:
    """What a step asks of each unit, in its order."""
    return list(Characteristic.objects.filter(part=step.part_id, step_number=step.number).order_by("number"))


def list_asked(unit: Unit, step: Step) -> list[Asked]:
    """What a step asks of a unit, in its order, each with its last reading in the visit in which the unit is, or, where
    it is not inside, since its last one. Where only samples are tested (`sample_every`) nothing must be read."""
    visits = list_visits(unit)
    inside = next((visit for visit in visits if visit.step == step.pk and visit.outcome == Pass.Outcome.NONE), None)
    since = begin_visit(visits, step.pk, inside and inside.scanned_in, OPEN, inside.error if inside else 0)
    return read_asked([Window(unit, step, since, OPEN)])[unit.pk, step.pk]


def list_readings(units: Collection[str]) -> QuerySet[Reading]:
    """Every reading of units (by their serials) that stands, with those of earlier visits, the latest first."""
    readings = Reading.objects.filter(unit__key__in=units, superseded=None)
    about = ("unit", "characteristic", "step", "station", "equipment", "program", "judge", "by")
    return readings.select_related(*about).order_by("-happened", "-id")


def begin_visit(visits: Iterable[Visit], step: int, scanned_in: int | None, scan: int, error: int = 0) -> int:
    """From which moment on readings are of a visit with these scans, the last of them `scan`: from its scan in, less
    its error, but not from before the scan out of an earlier visit for this step; without a scan in, since that visit
    surely ended."""
    if scanned_in is not None:
        outs = (visit.scanned_out for visit in visits if visit.step == step and visit.outcome != Pass.Outcome.VOID)
        return max(scanned_in - error, *(out + 1 for out in outs if out is not None and out < scanned_in), 0)
    earlier = (
        last_moment(visit)
        for visit in visits
        if visit.step == step and visit.outcome not in (Pass.Outcome.NONE, Pass.Outcome.VOID)
    )
    return max((moment + 1 for moment in earlier if moment < scan), default=0)


def last_moment(visit: Visit) -> int:
    """The last moment that is known of a visit that is over."""
    if visit.scanned_out is not None:
        return visit.scanned_out + visit.error
    return visit.ended if visit.ended < OPEN else visit.scanned_in or visit.began


def read_asked(windows: Sequence[Window]) -> dict[tuple[int, int], list[Asked]]:
    """Per unit and step (by their ids), what is asked there, with the last reading of each in that visit. Two queries,
    however many."""
    asked: dict[tuple[int, int], list[Characteristic]] = defaultdict(list)
    parts, numbers = {window.unit.part_id for window in windows}, {window.step.number for window in windows}
    for characteristic in Characteristic.objects.filter(part__in=parts, step_number__in=numbers).order_by("number"):
        asked[characteristic.part_id, characteristic.step_number].append(characteristic)
    since = {(window.unit.pk, window.step.pk): window for window in windows}
    last: dict[tuple[int, int, int], Reading] = {}
    units, steps = {window.unit.pk for window in windows}, {window.step.pk for window in windows}
    readings = Reading.objects.filter(unit__in=units, step__in=steps, superseded=None).select_related("equipment")
    for one in readings.order_by("happened", "id"):
        window = since.get((one.unit_id, one.step_id))
        if window and window.since <= one.happened <= window.until:
            last[one.unit_id, one.step_id, one.characteristic_id] = one
    return {
        (unit, step): [
            Asked(it, last.get((unit, step, it.pk))) for it in asked[window.unit.part_id, window.step.number]
        ]
        for (unit, step), window in since.items()
    }


def facts_of(asked: Sequence[Asked], step: RouteStep) -> dict[str, Any]:
    """What the interlock looks at of them."""
    read = [(one, one.reading) for one in asked if one.reading]
    return {
        "unread": () if step.sampled else tuple(one.characteristic.name for one in asked if one.reading is None),
        "outside": tuple(say_outside(one.characteristic, last) for one, last in read if not (last.good or last.unfit)),
        "unfit": tuple(_say_unfit(read)),
    }


def _say_unfit(read: Sequence[tuple[Asked, Reading]]) -> Iterator[tuple[str, str]]:
    """With what equipment something was read that was not fit, and which readings don't count for it: each once."""
    unfit: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one, last in read:
        if last.unfit:
            unfit[last.equipment.key if last.equipment else "", last.unfit].append(one.characteristic.name)
    for (equipment, why), names in unfit.items():
        yield equipment, f"{', '.join(names)} {'do' if len(names) > 1 else 'does'} not count: {why}"


def say_outside(it: Characteristic, reading: Reading) -> str:
    """In words, what is wrong with a reading that is not good."""
    if reading.value is None:
        return f"{it.name} was judged not good"
    must = say_limits(it.lower, it.upper, it.unit_of_measure)
    return f"{it.name} is {reading.value.normalize():f} {it.unit_of_measure}, and must be {must}"
