"""Equipment in daily use: its calibrations, check pieces and programs, and the story of a torque gauge.

6. Torque gauge TQG-1 is checked at the beginning of every shift in which it is used. Checked once more at the end of
the last one it no longer told its standard for what it is: what it judged since its last good check is in doubt.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from functools import partial
from typing import Any

from trace.approvals.files import store
from trace.approvals.models import Attachment
from trace.approvals.operations import attach_file
from trace.demo.calendar import PREPARED, SLOTS_PER_RACK, ZONE, Act, moment
from trace.demo.plant import FIXTURES, Plant, rows
from trace.demo.supply import LAST_SLOT
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.operations import (
    load_program,
    record_calibration,
    record_check,
    retire_equipment,
)

CALIBRATED = time(14)
"""When on its day a calibration was done."""
WORN = "TQG-3"
"""The gauge that failed its calibration, and was retired."""
DRIFTED, STANDARD = "TQG-1", "TQP-2NM"
FAILS_AT = moment(LAST_SLOT - 1, 236)


def attach(plant: Plant, subject: Any, name: str, person: str, at: datetime) -> Attachment:
    """Put a file of the demo with a thing."""
    sha256 = store([(FIXTURES / "files" / name).read_bytes()]).sha256
    by = plant.people[person]
    return plant.tell(attach_file, subject=subject, sha256=sha256, name=name, media_type="text/plain", by=by, at=at)


def plan_upkeep(plant: Plant) -> Iterator[Act]:
    """What keeps equipment fit. What was done before the plant's data were entered was entered with them."""
    for row in rows("calibrations"):
        day = datetime.combine(date.fromisoformat(row["day"]), CALIBRATED, ZONE).astimezone(UTC)
        yield Act(max(day, PREPARED), partial(_calibrate, plant, row, day))
    for row in rows("loads"):
        yield Act(moment(int(row["slot"])), partial(_load, plant, row))
    for row in rows("checks"):
        for slot in range(int(row["slot"]), LAST_SLOT + 1, SLOTS_PER_RACK):
            at = moment(slot, int(row["minute"]))
            yield Act(at, partial(_check, plant, row["equipment"], row["piece"], True))
    yield Act(FAILS_AT, partial(_check, plant, DRIFTED, STANDARD, False))
    yield Act(
        moment(-10, 30),
        lambda at: plant.tell(retire_equipment, equipment=plant.find(Equipment, WORN), by=plant.people["P02"], at=at),
    )


def _calibrate(plant: Plant, row: dict[str, str], day: datetime, at: datetime) -> None:
    """Its certificate is a file of the demo, or the number of a paper one."""
    equipment, certificate = plant.find(Equipment, row["equipment"]), row["certificate"]
    if certificate.endswith(".txt"):
        certificate = attach(plant, equipment, certificate, row["by"], at).key
    plant.tell(
        record_calibration,
        equipment=equipment,
        passed=row["result"] == "passed",
        certificate=certificate,
        by=plant.people[row["by"]],
        at=day,
    )


def _load(plant: Plant, row: dict[str, str], at: datetime) -> None:
    equipment, program = plant.find(Equipment, row["equipment"]), plant.find(Program, row["program"])
    plant.tell(load_program, equipment=equipment, program=program, by=plant.people[row["by"]], at=at)


def _check(plant: Plant, equipment: str, key: str, right: bool, at: datetime) -> None:
    """Whoever works at its station runs a piece."""
    it, piece = plant.find(Equipment, equipment), plant.find(CheckPiece, key)
    assert it.station
    by = plant.operator(it.station.key, at)
    plant.tell(record_check, equipment=it, piece=piece, said_good=piece.good == right, by=by, at=at)
