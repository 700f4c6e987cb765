"""What was decided and signed at Quillmoor Works: deviations, a released revision, files with things.

The bore gauge's laboratory was late: with an approved deviation the damper drives went on, until it came back and the
deviation expired. A fan line's balance check was down for a day: its modules skip the step under a deviation that
still holds. A third waits for its approval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Any

from trace.approvals.models import Deviation, Meaning
from trace.approvals.operations import sign
from trace.core.clock import Planned
from trace.demo import stories
from trace.demo.calendar import PREPARED, ZONE, Act, moment
from trace.demo.plant import PLANNER, QUALITY, SUPERVISOR, Plant, rows
from trace.demo.upkeep import attach
from trace.engineering.models import Part
from trace.floor.models import Unit
from trace.floor.operations.deviations import open_deviation
from trace.holds.models import Decision
from trace.holds.operations import decide_disposition
from trace.material.models import Lot

SKIPPED = ("FM-22", "FL2", 20)
"""The visit that was left out: part, station, the first of its racks."""
SIGNED_PART = "CB-180"


def is_skipped(parts: Sequence[str], station: str, rack: int) -> bool:
    """Whether a rack goes past this stop of the timetable."""
    part, left_out, first = SKIPPED
    return part in parts and station == left_out and rack == first


def plan_decisions(plant: Plant) -> Iterator[Act]:
    """Deviations as the file of them says; a signed revision; what was found out of two lots; what becomes of a lot
    and of a unit."""
    for row in rows("deviations"):
        yield Act(moment(int(row["slot"]), 60), partial(_open, plant, row))
        if row["approved"]:
            yield Act(moment(int(row["slot"]), 100), partial(_approve, plant, row["key"]))
    yield Act(PREPARED, partial(_sign_part, plant))
    for slot, lot, name, person in (
        (40, stories.COPPER_LOT, "s5540-analysis.txt", "P04"),
        (62, stories.HELD_LOT, "e9150-incoming.txt", "P02"),
    ):
        yield Act(moment(slot, 190), partial(_attach, plant, lot, name, person))
    yield Act(moment(63, 30), partial(_decide_lot, plant))
    yield Act(moment(64, 145), partial(_decide_unit, plant))


def _open(plant: Plant, row: dict[str, str], at: datetime) -> None:
    expires = datetime.fromisoformat(row["expires"]).replace(tzinfo=ZONE).astimezone(UTC)
    told: dict[str, Any] = {"rules": row["rules"].split(), "scope": row["scope"].split(), "reason": row["reason"]}
    most, by = int(row["most"]), plant.people[row["by"]]
    plant.tell(open_deviation, key=row["key"], expires=Planned(expires), most=most, **told, by=by, at=at)


def _approve(plant: Plant, key: str, at: datetime) -> None:
    it = plant.find(Deviation, key)
    plant.tell(sign, subject=it, meaning=Meaning.APPROVED, by=plant.people[QUALITY], at=at)


def _decide_lot(plant: Plant, at: datetime) -> None:
    """What becomes of the lot with oxidised leads; it waits for a quality engineer's signature."""
    plant.tell(
        decide_disposition,
        key="D-0001",
        subject=plant.find(Lot, stories.HELD_LOT),
        decision=Decision.RETURN,
        reason="Leads of 3 of 80 are oxidised, and the supplier takes the lot back.",
        evidence="e9150-incoming.txt",
        by=plant.people[SUPERVISOR],
        at=at,
    )


def _decide_unit(plant: Plant, at: datetime) -> None:
    """What becomes of the ventilator that rattles: decided by one quality engineer, it waits for the other."""
    plant.tell(
        decide_disposition,
        key="D-0003",
        subject=plant.find(Unit, stories.rattling(plant)),
        decision=Decision.REWORK,
        reason="A filter rail is loose, both fans run quietly: the rail is to be clipped in, and the unit tested anew.",
        evidence="both fans, listened to on the bench",
        by=plant.people[QUALITY],
        at=at,
    )


def _sign_part(plant: Plant, at: datetime) -> None:
    """Its author signs what was approved."""
    by = plant.people[PLANNER]
    plant.tell(sign, subject=plant.find(Part, SIGNED_PART), meaning=Meaning.AUTHORED, by=by, at=at)


def _attach(plant: Plant, lot: str, name: str, person: str, at: datetime) -> None:
    attach(plant, plant.find(Lot, lot), name, person, at)
