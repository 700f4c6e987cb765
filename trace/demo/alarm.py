"""The containment that is under way at Quillmoor Works: what the torque gauge judged since its last good check.

It was found wrong on Thursday evening (`upkeep.py`). On Friday morning its work is scoped and stopped, one unit is
found and put aside, and it is decided to sort the others; that waits for the second quality engineer.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import partial

from trace.containment.models import Containment, Join, Outcome
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.decide import Group, decide_contained
from trace.containment.operations.progress import reconcile
from trace.containment.operations.stop import stop_containment
from trace.containment.terms import Told
from trace.core.clock import Ticks, to_ticks
from trace.demo.calendar import Act, moment
from trace.demo.plant import QUALITY, Plant
from trace.demo.upkeep import DRIFTED, STANDARD
from trace.engineering.equipment import Equipment
from trace.engineering.fitness import find_last_good
from trace.floor.models import Unit
from trace.holds.models import Decision, Hold
from trace.holds.rules import Move

SLOT = 64


def plan_alarm(plant: Plant) -> Iterator[Act]:
    """Opened, stopped, looked for, decided; each as its page does it."""
    for minute, act in ((132, _open), (136, _stop), (142, _find), (146, _decide)):
        yield Act(moment(SLOT, minute), partial(act, plant))


def _open(plant: Plant, at: datetime) -> None:
    by, gauge = plant.people[QUALITY], plant.find(Equipment, DRIFTED)
    good = find_last_good(gauge, at)
    it = plant.tell(
        open_containment,
        problem=f"Torque gauge {DRIFTED} failed its check piece: earth screws may be too loose",
        evidence=f"{STANDARD} was read wrongly at the end of the shift on Thursday",
        by=by,
        at=at,
    )
    told = Told("equipment", gauge.key, since=Ticks(to_ticks(good)) if good else None)
    plant.tell(add_term, containment=it, joined=Join.ANY, told=told, evidence="since its last good check", by=by, at=at)


def _stop(plant: Plant, at: datetime) -> None:
    it = Containment.objects.get()
    plant.tell(stop_containment, containment=it, permits=[Move.FINISH], by=plant.people[QUALITY], at=at)


def _find(plant: Plant, at: datetime) -> None:
    it = Containment.objects.get()
    held = Hold.objects.filter(under=it.key, target_kind="unit").order_by("target_key")
    unit = Unit.objects.get(key=held[0].target_key)
    plant.tell(
        reconcile,
        containment=it,
        thing=unit,
        outcome=Outcome.SEGREGATED,
        place="on its carrier, with a red tag",
        by=plant.people[QUALITY],
        at=at,
    )


def _decide(plant: Plant, at: datetime) -> None:
    plant.tell(
        decide_contained,
        containment=Containment.objects.get(),
        group=Group.UNITS,
        decision=Decision.SORT,
        reason="Every earth screw is to be checked again with the spare gauge, once that is calibrated.",
        by=plant.people[QUALITY],
        at=at,
    )
