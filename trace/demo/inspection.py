"""Goods in inspects what comes: diodes and transistors all, fabricated parts by gauge, others by sample."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from functools import partial
from zlib import crc32

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.core.clock import Planned
from trace.demo.calendar import UNTIL, Act
from trace.demo.plant import SUPERVISOR, Plant, rows
from trace.demo.supply import HANDLER, receive
from trace.engineering.equipment import Equipment
from trace.floor.operations.deviations import open_deviation
from trace.floor.operations.feeds import load_feed
from trace.floor.rules import NOT_RELEASED
from trace.material.inspecting import Task, list_present, list_tasks
from trace.material.models import Container, Feed, Lot, Manner
from trace.material.operations.inspection import record_inspection, release_lot
from trace.material.sampling import share

INSPECTOR, QUALITY = "P02", "P01"
TESTED, RELEASED = timedelta(hours=1), timedelta(hours=4)
"""So long after it came a lot is inspected and released."""

OVERSIZE_LOT = "M9040"
"""Fan housings with a bore that was cast too wide; they wait for a decision."""

EARLY_LOT, EARLY_FEED = "U9120", "DL1-IC-HALL"
"""Hall sensors that a line for driver boards could not wait for, and where they were loaded under a deviation."""


def plan_inspections(plant: Plant) -> Iterator[Act]:
    """Each lot whose part is inspected, unless it came only yesterday."""
    planned = {row["part"] for row in rows("inspection-plans")}
    for at, row in receive():
        if row["part"] in planned and at < UNTIL - timedelta(days=1):
            yield Act(at + TESTED, partial(_inspect, plant, row["lot"]))
            if row["lot"] != OVERSIZE_LOT:
                yield Act(at + RELEASED, partial(_release, plant, row["lot"]))
        if row["lot"] == EARLY_LOT:
            yield Act(at + TESTED, partial(_permit, plant))
            yield Act(at + RELEASED, partial(_use_early, plant))


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


def _permit(plant: Plant, at: datetime) -> None:
    """The supervisor asks for it, the quality engineer signs."""
    told = {"reason": "No released sensors are left at DL1; the supplier's test report was read.", "most": 54}
    deviation = open_deviation(
        key="DEV-4",
        rules=[NOT_RELEASED],
        scope=[f"lot:{EARLY_LOT}", "station:DL1"],
        expires=Planned(at + timedelta(days=7)),
        by=plant.people[SUPERVISOR],
        at=at,
        **told,
    )
    sign(subject=deviation, meaning=Meaning.APPROVED, by=plant.people[QUALITY], at=at)


def _use_early(plant: Plant, at: datetime) -> None:
    feed, container = plant.find(Feed, EARLY_FEED), plant.find(Container, f"{EARLY_LOT}-1")
    plant.tell(load_feed, feed=feed, container=container, by=plant.people[HANDLER], at=at)


def _release(plant: Plant, key: str, at: datetime) -> None:
    lot = Lot.objects.get(key=key)
    evidence = "All that is planned was accepted; certificate of the supplier read."
    plant.tell(release_lot, lot=lot, evidence=evidence, by=plant.people[QUALITY], at=at)
