"""Troubleshooting at Quillmoor Works: what was found wrong with the boards that failed their test, what caused it, what
was done about it before they were tested again. One board still waits for its repair."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from functools import partial
from typing import Any

from trace.demo import stories
from trace.demo.calendar import Act
from trace.demo.plant import Plant
from trace.demo.tapes import GOOD_BAG
from trace.engineering.models import CauseCode, FaultCode, Step
from trace.floor.models import Fault, Unit
from trace.floor.operations.faults import diagnose_fault, record_fault, record_repair
from trace.material.models import Container

TECHNICIAN, BENCH = "P22", "TS1"
LATEST = 22
"""A board of a rack from this one on that goes into no ventilator is not mended yet."""

FOUND = (
    ("BRIDGE", "U2", "WAVE", 80, "resoldered", 6),
    ("BRIDGE", "J1", "WAVE", 80, "resoldered", 4),
    ("OPEN", "K1", "FLUX", 80, "resoldered", 8),
    ("BRIDGE", "U2", "LEADS", 60, "resoldered", 7),
    ("BRIDGE", "U1", "WAVE", 80, "resoldered", 5),
)
"""What is found in turn on boards of no story: fault, designator, cause, the number of the step that caused it, what is
done, minutes."""


def is_left(plant: Plant, serial: str, rack: int) -> bool:
    """Whether a board that failed is not mended yet."""
    last = serial in plant.serials("CB-180", rack)[plant.units :]
    return rack >= LATEST and last and not stories.drifts(plant, serial)


def plan_repair(plant: Plant, serial: str, rack: int, tested: datetime) -> Iterator[Act]:
    """A board that failed a test that ended at a moment is found faulty, diagnosed and mended within 25 minutes."""
    if stories.drifts(plant, serial):
        places = stories.DRIFTING_PLACES if serial == stories.mended(plant) else stories.DRIFTING_PLACES[:1]
        found: list[Any] = [("DRIFT", place, "PART", None, "replaced", 3) for place in places]
    else:
        found = [FOUND[rack % len(FOUND)]]
    for n, one in enumerate(found):
        yield Act(tested + timedelta(minutes=1), partial(_find, plant, serial, one))
        if not is_left(plant, serial, rack):
            yield Act(tested + timedelta(minutes=2), partial(_diagnose, plant, serial, one))
            yield Act(tested + timedelta(minutes=4 + 3 * n), partial(_mend, plant, serial, one))


def _find(plant: Plant, serial: str, one: Any, at: datetime) -> None:
    code, place, *_ = one
    unit, by = plant.find(Unit, serial), plant.people[TECHNICIAN]
    plant.tell(record_fault, unit=unit, fault_code=plant.find(FaultCode, code), designator=place, by=by, at=at)


def _fault(serial: str, place: str) -> Fault:
    return Fault.objects.get(unit__key=serial, designator=place)


def _diagnose(plant: Plant, serial: str, one: Any, at: datetime) -> None:
    _, place, cause, number, *_ = one
    step = Step.objects.get(part=plant.parts["CB-180"], number=number) if number else None
    told: dict[str, Any] = {"fault": _fault(serial, place), "cause": plant.find(CauseCode, cause), "step": step}
    plant.tell(diagnose_fault, **told, by=plant.people[TECHNICIAN], at=at)


def _mend(plant: Plant, serial: str, one: Any, at: datetime) -> None:
    *_, action, minutes = one
    told: dict[str, Any] = {"action": action, "designator": one[1], "minutes": Decimal(minutes)}
    if action == "replaced":
        told["container"] = plant.find(Container, GOOD_BAG)
    plant.tell(
        record_repair,
        unit=plant.find(Unit, serial),
        faults=[_fault(serial, one[1])],
        station=plant.stations[BENCH],
        **told,
        by=plant.people[TECHNICIAN],
        at=at,
    )
