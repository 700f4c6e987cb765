"""Returned to Quillmoor Works: a ventilator with an intermittent fault, then two more. Their boards are of one tape."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import partial
from typing import Any

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.demo.calendar import Act, moment
from trace.demo.plant import QUALITY, SUPERVISOR, Plant
from trace.engineering.models import FaultCode
from trace.floor.models import Unit
from trace.floor.operations.faults import record_fault
from trace.floor.operations.returns import receive_return
from trace.floor.returns import find_departure
from trace.holds.models import Decision, Disposition
from trace.holds.operations import decide_disposition

RETURNED = (
    (2, 50, "stops now and then, runs again by itself after some hours", "RMA-2210"),
    (4, 56, "the display goes dark for a moment, then both fans start anew", "26-3318"),
    (5, 63, "stops when the room is warm", ""),
)
"""The rack of each, all of tape 1; the slot in which it came; the complaint; the distributor's reference."""
FAULTY = "R17"
"""Where the boards of the first two open when they are warm."""


def plan_returns(plant: Plant) -> Iterator[Act]:
    """Received; the first two are looked into; of the first it is decided."""
    for n, (rack, slot, complaint, reference) in enumerate(RETURNED):
        yield Act(moment(slot, 40), partial(_receive, plant, rack, complaint, reference))
        if n < 2:
            yield Act(moment(slot + 1, 100), partial(_find, plant, rack))
        if n == 0:
            yield Act(moment(slot + 2, 30), partial(_decide, plant, rack))
            yield Act(moment(slot + 2, 90), partial(_approve, plant))


def _place(plant: Plant, rack: int) -> int:
    """The last place of the rack whose ventilator was shipped: samples stayed."""
    serials = enumerate(plant.serials("QV-180", rack))
    return max(place for place, serial in serials if find_departure(plant.find(Unit, serial)))


def _ventilator(plant: Plant, rack: int) -> Unit:
    return plant.find(Unit, plant.serials("QV-180", rack)[_place(plant, rack)])


def _receive(plant: Plant, rack: int, complaint: str, reference: str, at: datetime) -> None:
    told: dict[str, Any] = {"complaint": complaint, "reference": reference, "condition": "clean, no damage seen"}
    plant.tell(receive_return, unit=_ventilator(plant, rack), **told, by=plant.people["P31"], at=at)


def _find(plant: Plant, rack: int, at: datetime) -> None:
    board = plant.serials("CB-180", rack)[_place(plant, rack)]
    told: dict[str, Any] = {"designator": FAULTY, "remark": "opens above 50 °C", "station": plant.stations["TS1"]}
    unit, code = plant.find(Unit, board), plant.find(FaultCode, "OPEN")
    plant.tell(record_fault, unit=unit, fault_code=code, **told, by=plant.people["P22"], at=at)


def _decide(plant: Plant, rack: int, at: datetime) -> None:
    told: dict[str, Any] = {"decision": Decision.REPAIR, "evidence": "the board, warmed on the bench"}
    reason = f"{FAULTY} opens when the board is warm: the board is to be replaced."
    subject = _ventilator(plant, rack)
    plant.tell(
        decide_disposition, key="D-0002", subject=subject, reason=reason, **told, by=plant.people[SUPERVISOR], at=at
    )


def _approve(plant: Plant, at: datetime) -> None:
    it = plant.find(Disposition, "D-0002")
    plant.tell(sign, subject=it, meaning=Meaning.APPROVED, by=plant.people[QUALITY], at=at)
