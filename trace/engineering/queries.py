"""Reading the engineering data."""

from __future__ import annotations

from collections.abc import Iterable

from trace.engineering.models import BomLine, Designator, Part, Step, Substitute


def list_fitting_parts(assembly: Part, designator: str) -> set[int]:
    """Ids of the parts that may occupy a designator: the one designed in and its substitutes.

    Empty when the assembly has no such designator.
    """
    line = BomLine.objects.filter(designators__parent=assembly, designators__name=designator).first()
    if line is None:
        return set()
    return {line.child_id, *line.substitutes.values_list("part_id", flat=True)}


def list_places_of(parts: Iterable[int]) -> list[tuple[int, str, int]]:
    """(assembly id, designator, part id) of every place that these parts may occupy."""
    parts = set(parts)
    own = Designator.objects.filter(line__child__in=parts)
    substituted = Substitute.objects.filter(part__in=parts, line__designators__name__isnull=False)
    return [
        *own.values_list("parent_id", "name", "line__child_id"),
        *substituted.values_list("line__parent_id", "line__designators__name", "part_id"),
    ]


def list_steps(part: Part) -> list[Step]:
    """The route of a part in order, with the stations of each step."""
    return list(Step.objects.filter(part=part).order_by("number").prefetch_related("stations"))
