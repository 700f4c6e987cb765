"""What the demo's tests measure: believable values about their targets, the same in every build.

All limits are invented; what a real product must withstand, and how that is tested, is for its standard, local code
and qualified people. Only the rotor's is reckoned (`plant.py`).
"""

from __future__ import annotations

from decimal import Decimal
from random import Random

from trace.demo import stories
from trace.demo.plant import Plant
from trace.engineering.models import Characteristic
from trace.floor.models import Unit
from trace.floor.operations.readings import UnitReadings

DRIFTED, BRIDGED = "Airflow input at half scale", "Current at rest"
"""What is outside on a board whose resistors drifted, and on one with a solder bridge."""


def is_test(plant: Plant, serial: str, station: str) -> bool:
    """Whether something is measured or judged of a unit at a station."""
    return (_kind(serial), station) in plant.asked


def _kind(serial: str) -> str:
    return serial.partition("-")[0]


def read(plant: Plant, serial: str, station: str, *, fails: bool = False, attempt: int = 1) -> UnitReadings:
    """What is read of a unit at a station: a value for each characteristic that its step there asks."""
    worst = (DRIFTED if stories.drifts(plant, serial) else BRIDGED) if fails else ""
    told = {
        it.name: "good" if it.judge else f"{_value(it, f'{serial} {attempt}', it.name == worst):f}"
        for it in plant.asked[_kind(serial), station]
    }
    return UnitReadings(plant.find(Unit, serial), told)


def _value(it: Characteristic, of: str, outside: bool) -> Decimal:
    """Somewhere about its target, or about three fifths of its one limit; well within, or beyond the upper."""
    low: Decimal = (it.upper or Decimal(0)) / 5 if it.lower is None else it.lower
    high: Decimal = low * Decimal("1.2") if it.upper is None else it.upper
    middle: Decimal = it.target if it.target is not None else (low + high) / 2
    step = Decimal(1).scaleb((high - low).adjusted() - 2)
    if outside:
        return (high + (high - low) / 4).quantize(step)
    off = Decimal(Random(f"{of} {it.name}").gauss(0, 1)).quantize(Decimal("0.001"))
    drawn: Decimal = middle + off * (high - low) / 9
    return sorted((low, drawn, high))[1].quantize(step)
