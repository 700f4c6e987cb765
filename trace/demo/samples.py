"""Samples of ventilators: of each order the first runs for 500 hours, and the next is dropped, packed.

The rules of the plant choose them as they leave the line. Of the orders so far the first life test passed, the second
failed, the third is running; the fourth sample waits for a place on the bench, and its drop test for somebody's time.
The third drop test was waived under a deviation: the drop tester was away.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from functools import partial

from trace.demo.calendar import Act, moment
from trace.demo.plant import Plant
from trace.floor.models import Sample
from trace.floor.operations.samples import finish_sample, record_sample, start_sample, waive_sample

LABORATORY = "P02"
LIFE, DROP = "500-hour life test", "Drop test"
MASS = Decimal("7.4")
"""Of a ventilator in its carton, in kg."""

LIFE_TESTS = (
    ("WO-QV-1", 18, ((22, "46", ""), (30, "168", ""), (40, "312", ""), (48, "432", ""), (54, "503", "")), True),
    ("WO-QV-2", 30, ((34, "47", ""), (44, "212.5", "fan 1 hums, then stands: its bearing has seized")), False),
    ("WO-QV-3", 42, ((46, "46", ""), (54, "190", ""), (62, "310", "")), None),
)
"""Order, slot in which its sample's test starts, what was entered (slot, hours done, failure), whether it passed."""

DROP_TESTS = (("WO-QV-1", 20), ("WO-QV-2", 32))
"""Order, slot in which its sample is dropped."""

WAIVED = "WO-QV-3", 43
"""The order, and the slot, in which the next rack of it is finished."""


def plan_samples(plant: Plant) -> Iterator[Act]:
    """What became of the tests that samples owed."""
    for order, start, entries, passed in LIFE_TESTS:
        yield Act(moment(start, 60), partial(_start, plant, order, LIFE, None))
        for slot, hours, failure in entries:
            yield Act(moment(slot, 70), partial(_enter, plant, order, LIFE, Decimal(hours), failure))
        if passed is not None:
            yield Act(moment(entries[-1][0], 80), partial(_finish, plant, order, LIFE, passed))
    for order, slot in DROP_TESTS:
        yield Act(moment(slot, 100), partial(_start, plant, order, DROP, MASS))
        yield Act(moment(slot, 130), partial(_enter, plant, order, DROP, Decimal(10), ""))
        yield Act(moment(slot, 140), partial(_finish, plant, order, DROP, True))
    order, slot = WAIVED
    yield Act(moment(slot, 92), partial(_waive, plant, order))


def _sample(order: str, test: str) -> Sample:
    return Sample.objects.select_related("unit").get(unit__order__key=order, test=test)


def _start(plant: Plant, order: str, test: str, mass: Decimal | None, at: datetime) -> None:
    by = plant.people[LABORATORY]
    plant.tell(start_sample, sample=_sample(order, test), mass=mass, by=by, at=at)


def _enter(plant: Plant, order: str, test: str, done: Decimal, failure: str, at: datetime) -> None:
    by = plant.people[LABORATORY]
    plant.tell(record_sample, sample=_sample(order, test), done=done, failure=failure, by=by, at=at)


def _finish(plant: Plant, order: str, test: str, passed: bool, at: datetime) -> None:
    by = plant.people[LABORATORY]
    plant.tell(finish_sample, sample=_sample(order, test), passed=passed, by=by, at=at)


def _waive(plant: Plant, order: str, at: datetime) -> None:
    reason = "the drop tester is away for repair"
    plant.tell(waive_sample, sample=_sample(order, DROP), reason=reason, by=plant.people["P06"], at=at)
