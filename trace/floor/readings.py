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


class Window(NamedTuple):
    """A visit of a unit for a step, by its id and number: whose readings count that were made from one moment up to
    another, and of how many characteristics one must be there."""

    unit: Unit
    step: int
    number: int
    since: int
    until: int
    must: int = 0

    @property
    def whose(self) -> tuple[int, int]:
        """The ids of the unit and the step."""
        return self.unit.pk, self.step

    def asks(self, it: Characteristic) -> bool:
        return (it.part_id, it.step_number) == (self.unit.part_id, self.number)


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
    window = Window(unit, step.pk, step.number, since, OPEN)
    last = _read_last([window])[window.whose]
    return [Asked(it, last.get(it.pk)) for it in list_characteristics(step)]


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


def judge_readings(windows: Sequence[Window]) -> dict[tuple[int, int], dict[str, Any]]:
    """Per unit and step (by their ids), what the interlock looks at of what was read in that visit. One query, however
    many they are; one more where something that must be read was not."""
    last, unread = _read_last(windows), defaultdict[tuple[int, int], list[str]](list)
    short = [one for one in windows if len(last[one.whose]) < one.must]
    if short:
        parts, numbers = {one.unit.part_id for one in short}, {one.number for one in short}
        for it in Characteristic.objects.filter(part__in=parts, step_number__in=numbers).order_by("number"):
            for one in short:
                if one.asks(it) and it.pk not in last[one.whose]:
                    unread[one.whose].append(it.name)
    return {one.whose: _facts_of(unread[one.whose], last[one.whose].values()) for one in windows}


def _read_last(windows: Sequence[Window]) -> dict[tuple[int, int], dict[int, Reading]]:
    """Per unit and step (by their ids), the last reading in that visit of each characteristic (by its id), in their
    order."""
    since: dict[tuple[int, int], Window] = {window.whose: window for window in windows}
    last = {whose: dict[int, Reading]() for whose in since}
    units, steps = {window.unit.pk for window in windows}, {window.step for window in windows}
    readings = Reading.objects.filter(unit__in=units, step__in=steps, superseded=None)
    readings = readings.select_related("equipment", "characteristic")
    for one in readings.order_by("characteristic__number", "happened", "id"):
        window = since.get((one.unit_id, one.step_id))
        if window and window.since <= one.happened <= window.until and window.asks(one.characteristic):
            last[window.whose][one.characteristic_id] = one
    return last


def _facts_of(unread: Iterable[str], read: Collection[Reading]) -> dict[str, Any]:
    return {
        "unread": tuple(unread),
        "outside": tuple(say_outside(one.characteristic, one) for one in read if not (one.good or one.unfit)),
        "unfit": tuple(_say_unfit(read)),
    }


def _say_unfit(read: Iterable[Reading]) -> Iterator[tuple[str, str]]:
    """With what equipment something was read that was not fit, and which readings don't count for it: each once."""
    unfit: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in read:
        if one.unfit:
            unfit[one.equipment.key if one.equipment else "", one.unfit].append(one.characteristic.name)
    for (equipment, why), names in unfit.items():
        yield equipment, f"{', '.join(names)} {'do' if len(names) > 1 else 'does'} not count: {why}"


def say_outside(it: Characteristic, reading: Reading) -> str:
    """In words, what is wrong with a reading that is not good."""
    if reading.value is None:
        return f"{it.name} was judged not good"
    must = say_limits(it.lower, it.upper, it.unit_of_measure)
    return f"{it.name} is {reading.value.normalize():f} {it.unit_of_measure}, and must be {must}"
