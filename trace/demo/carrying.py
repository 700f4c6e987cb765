"""A rack of boards that is to be sent in next, and what the touch-up scanned while the network was down."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import partial
from typing import Any

from trace.core.errors import Refusal
from trace.demo.calendar import Act, moment
from trace.demo.plant import Plant
from trace.floor.models import Carrier, Unit
from trace.floor.operations.passes import start_pass
from trace.floor.operations.racks import put_in_rack
from trace.floor.operations.refused import keep_refused_scan

RACK, NEXT_BOARDS, HANDLER = "RACK-1", 33, "P09"
"""The rack, which boards stand in it by the timetable's count, and who put them there."""
TOUCH_UP, TOO_EARLY = "TU1", 29
"""Where a board was scanned before its turn, and of which of the timetable's racks it is."""
LAST_MORNING = 64


def plan_carrying(plant: Plant) -> Iterator[Act]:
    """Boards are put into a rack one after the other; a board is scanned where it is not due."""
    for n, serial in enumerate(plant.serials("CB-180", NEXT_BOARDS)):
        yield Act(moment(LAST_MORNING, 120 + n / 4), partial(_put_in, plant, serial))
    yield Act(moment(LAST_MORNING, 132), partial(_scan, plant, plant.serials("CB-180", TOO_EARLY)[0]))


def _put_in(plant: Plant, serial: str, at: datetime) -> None:
    rack, unit = plant.find(Carrier, RACK), plant.find(Unit, serial)
    plant.tell(put_in_rack, rack=rack, unit=unit, by=plant.people[HANDLER], at=at)


def _scan(plant: Plant, serial: str, at: datetime) -> None:
    """It came late and was refused, so the refusal is kept."""
    station, unit, by = plant.stations[TOUCH_UP], plant.find(Unit, serial), plant.operator(TOUCH_UP, at)
    try:
        start_pass(unit=unit, station=station, by=by, at=at)
    except Refusal as refusal:
        told: dict[str, Any] = {"scanned": f"Scanned {serial}", "told": f"told: {serial}", "unit": unit}
        said: dict[str, Any] = {"code": refusal.code, "sentence": refusal.message, "action": refusal.action}
        plant.tell(keep_refused_scan, station=station, **told, **said, by=by, at=at)
