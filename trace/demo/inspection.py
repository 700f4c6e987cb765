"""Goods in inspects what comes: diodes and transistors all, fabricated parts by gauge, others by sample."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from functools import partial
from zlib import crc32

from trace.demo.calendar import PREPARED, UNTIL, Act
from trace.demo.plant import Plant, rows
from trace.demo.supply import receive
from trace.engineering.equipment import Equipment
from trace.engineering.operations import record_calibration
from trace.material.inspecting import Task, list_present, list_tasks
from trace.material.models import Container, Lot, Manner
from trace.material.operations.inspection import record_inspection, release_lot
from trace.material.sampling import share

ENGINEER, INSPECTOR, QUALITY = "P04", "P02", "P01"
TESTED, RELEASED = timedelta(hours=1), timedelta(hours=4)
"""So long after it came a lot is inspected and released."""

OVERSIZE_LOT = "M9040"
"""Fan housings with a bore that was cast too wide; they wait for a decision."""


def plan_inspections(plant: Plant) -> Iterator[Act]:
    """The equipment is calibrated, then each lot whose part is inspected, unless it came only yesterday."""
    yield Act(PREPARED, partial(_calibrate, plant))
    planned = {row["part"] for row in rows("inspection-plans")}
    for at, row in receive():
        if row["part"] in planned and at < UNTIL - timedelta(days=1):
            yield Act(at + TESTED, partial(_inspect, plant, row["lot"]))
            if row["lot"] != OVERSIZE_LOT:
                yield Act(at + RELEASED, partial(_release, plant, row["lot"]))


def _calibrate(plant: Plant, at: datetime) -> None:
    for equipment in Equipment.objects.filter(calibrate_every__isnull=False):
        record_calibration(equipment=equipment, passed=True, by=plant.people[ENGINEER], at=at)


def _inspect(plant: Plant, key: str, at: datetime) -> None:
    lot = Lot.objects.select_related("part", "supplier").get(key=key)
    containers = list(list_present(lot))
    for task in list_tasks(lot):
        planned = task.planned
        counts, readings = _found(task, lot, containers)
        plant.tell(
            record_inspection,
            lot=lot,
            name=planned.name,
            counts=counts,
            readings=readings,
            screened=bool(planned.screen),
            equipment=Equipment.objects.get(kind=planned.equipment) if planned.equipment else None,
            by=plant.people[INSPECTOR],
            at=at,
        )


def _found(task: Task, lot: Lot, containers: list[Container]) -> tuple[list[tuple[Container, int, int]], list[Decimal]]:
    """Counts per container, and what was read: invented, and always the same."""
    held = [int(container.quantity or 0) for container in containers]
    if task.planned.manner == Manner.EVERY:
        return [(one, n, crc32(one.key.encode()) % 7) for one, n in zip(containers, held, strict=True)], []
    drawn = share(task.pieces or 0, held)
    readings = []
    if task.planned.manner == Manner.GAUGE:
        low, high = task.planned.lower, task.planned.upper
        assert low is not None and high is not None
        steps = [crc32(f"{lot.key} {n}".encode()) % 81 + 10 for n in range(task.pieces or 0)]
        readings = [low + (high - low) * step / 100 for step in steps]
        if lot.key == OVERSIZE_LOT:
            readings[-1] = high + (high - low) / 10
    bad = [int(lot.key == OVERSIZE_LOT), *[0] * len(containers)]
    return [(one, n, bad[at]) for at, (one, n) in enumerate(zip(containers, drawn, strict=True)) if n], readings


def _release(plant: Plant, key: str, at: datetime) -> None:
    lot = Lot.objects.get(key=key)
    evidence = "All that is planned was accepted; certificate of the supplier read."
    plant.tell(release_lot, lot=lot, evidence=evidence, by=plant.people[QUALITY], at=at)
