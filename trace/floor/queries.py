"""Reading the floor: units, where they are, what they still need."""

from __future__ import annotations

from trace.core.errors import NotFound
from trace.engineering.models import Step
from trace.engineering.queries import list_steps
from trace.floor.models import Fitting, Packing, Pass, Unit


def get_unit(key: str) -> Unit:
    """The unit of a serial, or NotFound."""
    unit = Unit.objects.select_related("part", "order").filter(key=key).first()
    if unit is None:
        raise NotFound(f"No unit has the serial {key}.")
    return unit


def get_open_pass(unit: Unit) -> Pass | None:
    """The pass in which the unit is inside a station now."""
    return (
        Pass.objects.select_related("station", "step", "setup").filter(unit=unit, inside=True, superseded=None).first()
    )


def find_due_step(unit: Unit) -> Step | None:
    """The first step of its route that the unit has not passed; None when it is finished."""
    passed = set(
        Pass.objects.filter(unit=unit, outcome=Pass.Outcome.PASSED, superseded=None).values_list("step_id", flat=True)
    )
    return next((step for step in list_steps(unit.part) if step.pk not in passed), None)


def find_home(unit: Unit) -> Unit | None:
    """The unit that this one is fitted in now."""
    fitting = Fitting.objects.filter(child=unit, until=None, superseded=None).select_related("unit").first()
    return fitting.unit if fitting else None


def find_packing(unit: Unit) -> Packing | None:
    """The carton that the unit is in now."""
    return Packing.objects.filter(unit=unit, until=None).select_related("carton").first()
