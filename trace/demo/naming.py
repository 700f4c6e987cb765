"""What units are called besides: labels that were replaced, serials that distributors gave."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import partial
from typing import Any

from trace.demo.calendar import Act, moment
from trace.demo.plant import SUPERVISOR, Plant
from trace.floor.models import Alias, Unit
from trace.floor.operations.aliases import record_serial, replace_label

BURNT_RACK = 14
SHARED = "26-0107"
"""Two distributors number their ventilators alike."""
CUSTOMERS_SERIALS = ((0, 0, "NH-4471"), (0, 1, "NH-4472"), (1, 0, SHARED), (2, 0, SHARED))
"""(rack, which of its ventilators, what the distributor that got it calls it)"""


def plan_names(plant: Plant) -> Iterator[Act]:
    """A board's label burnt at wave solder; distributors told their serials once they had the goods."""
    board = plant.serials("CB-180", BURNT_RACK)[0]
    yield Act(
        moment(2 * BURNT_RACK + 9, 100),
        lambda at: plant.tell(
            replace_label,
            unit=plant.find(Unit, board),
            reason="burnt at wave solder",
            by=plant.people[SUPERVISOR],
            at=at,
        ),
    )
    for rack, which, serial in CUSTOMERS_SERIALS:
        of_rack = plant.serials("QV-180", rack)
        if which < len(of_rack):
            yield Act(moment(26, 30), partial(_tell_serial, plant, of_rack[which], serial))


def _tell_serial(plant: Plant, unit: str, serial: str, at: datetime) -> None:
    told: dict[str, Any] = {"unit": plant.find(Unit, unit), "kind": Alias.Kind.CUSTOMER, "serial": serial}
    plant.tell(record_serial, **told, by=plant.people[SUPERVISOR], at=at)
