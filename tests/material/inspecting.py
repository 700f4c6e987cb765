"""What inspections in tests share: plans, lots that wait, and what is said of them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from tests.factories import Plant
from trace.engineering.models import Part
from trace.engineering.operations import define_equipment, record_calibration
from trace.material.models import Container, Inspection, Lot, Manner
from trace.material.operations.inspection import InspectionRow, record_inspection, set_inspection

EVERY = InspectionRow("Forward voltage", Manner.EVERY)
SAMPLE = InspectionRow("Marking and finish", Manner.SAMPLE, aql=Decimal("1.0"), level="II")
GAUGE = InspectionRow(
    "Bore",
    Manner.GAUGE,
    pieces=5,
    unit_of_measure="mm",
    lower=Decimal("11.98"),
    upper=Decimal("12.02"),
    equipment="bore gauge",
)


def planned(plant: Plant, *rows: InspectionRow, part: Part | None = None) -> None:
    plant.do(set_inspection, part=part or plant.resistor, rows=rows or (EVERY,))


def waiting(plant: Plant, key: str = "K1", *quantities: int, minute: float = 1, **details: Any) -> Lot:
    """A lot that was received, in containers K1-1, K1-2 … of so many pieces."""
    counts = [(f"{key}-{n}", Decimal(quantity)) for n, quantity in enumerate(quantities or (1_000, 1_000), 1)]
    return plant.lot(key, containers=counts, minute=minute, **details)


def box(key: str) -> Container:
    return Container.objects.get(key=key)


def inspected(plant: Plant, lot: Lot, *counts: tuple[str, int, int], minute: float = 5, **told: Any) -> Inspection:
    """An inspection of a lot, by the counts of its containers: label, inspected, rejected."""
    named = [(box(key), pieces, rejected) for key, pieces, rejected in counts]
    return plant.do(record_inspection, minute, **{"lot": lot, "name": EVERY.name, "counts": named, **told})


def sampled(plant: Plant, lot: Lot, size: int, rejected: int, minute: float = 5) -> Inspection:
    """A sample of a lot, all of it from the first container."""
    return inspected(plant, lot, (f"{lot.key}-1", size, rejected), minute=minute, name=SAMPLE.name)


def gauge(plant: Plant, key: str = "BG-1", *, calibrated: bool = True) -> Any:
    told = {"name": "Bore gauge", "kind": "bore gauge", "calibrate_every": 365}
    found = plant.do(define_equipment, key=key, **told)
    if calibrated:
        plant.do(record_calibration, equipment=found, passed=True)
    return found
