"""Reading the floor: units, where they are, what they still need."""

from __future__ import annotations

from collections.abc import Sequence

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
        Pass.objects.select_related("station", "step", "setup", "axis")
        .filter(unit=unit, inside=True, superseded=None)
        .first()
    )


def find_due_step(unit: Unit) -> Step | None:
    """The first step of its route that the unit has not passed; None when it is finished."""
    return find_due_steps([unit]).get(unit.pk)


def find_due_steps(units: Sequence[Unit]) -> dict[int, Step]:
    """`find_due_step` of each unit that is not finished, in as many queries as there are parts."""
    routes = {part.pk: list_steps(part) for part in {unit.part for unit in units}}
    passed = set(
        Pass.objects.filter(unit__in=units, outcome=Pass.Outcome.PASSED, superseded=None).values_list("unit", "step")
    )
    due = {
        unit.pk: next((step for step in routes[unit.part_id] if (unit.pk, step.pk) not in passed), None)
        for unit in units
    }
    return {unit: step for unit, step in due.items() if step}


def find_home(unit: Unit) -> Unit | None:
    """The unit that this one is fitted in now."""
    fitting = Fitting.objects.filter(child=unit, until=None, superseded=None).select_related("unit").first()
    return fitting.unit if fitting else None


def find_packing(unit: Unit) -> Packing | None:
    """The carton that the unit is in now."""
    return Packing.objects.filter(unit=unit, until=None).select_related("carton").first()
