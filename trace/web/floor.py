"""Units on the floor: what waits, what is inside, for which step."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from urllib.parse import urlencode

from django.db.models import Exists, OuterRef, QuerySet
from django.urls import reverse

from trace.core.clock import OPEN
from trace.engineering.models import Part, Step
from trace.floor.models import Fitting, Packing, Unit
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts
from trace.web.answer import where_cell
from trace.web.cells import Link, Moment, Ref
from trace.web.tables import Column, Table

MOST_UNITS = 20_000
"""So many units on the floor are looked at, the newest, so that the page stays quick."""


@dataclass(frozen=True)
class OnFloor:
    """A unit on the floor: the step it is due at, or is inside for, and where it is."""

    key: str
    part: str
    part_name: str
    number: int
    step: str
    where: Whereabouts

    @property
    def inside(self) -> bool:
        return self.where.kind == Place.AT_STATION

    @property
    def state(self) -> str:
        return "inside" if self.inside else "waiting"


def list_on_floor() -> list[OnFloor]:
    """Units that are neither scrapped, nor fitted in another, nor packed."""
    units = list(_open_units().order_by("-pk").values_list("pk", "key", "part")[:MOST_UNITS])
    where = find_whereabouts([pk for pk, *_ in units], OPEN)
    parts = Part.objects.in_bulk({part for *_, part in units})
    steps: dict[int, list[tuple[int, str]]] = {}
    route = Step.objects.filter(part__in=parts).order_by("number")
    for part, number, name in route.values_list("part", "number", "name"):
        steps.setdefault(part, []).append((number, name))
    found = []
    for pk, key, part in units:
        number, step = _due(where[pk], steps.get(part, []))
        found.append(OnFloor(key, parts[part].key, parts[part].name, number, step, where[pk]))
    return found


def _open_units() -> QuerySet[Unit]:
    fitted = Fitting.objects.filter(child=OuterRef("pk"), until=None, superseded=None)
    packed = Packing.objects.filter(unit=OuterRef("pk"), until=None)
    return Unit.objects.filter(~Exists(fitted), ~Exists(packed), scrapped=None)


def _due(where: Whereabouts, steps: list[tuple[int, str]]) -> tuple[int, str]:
    """The step after the last one passed; the open end for what is finished."""
    for number, name in steps:
        if number > where.step:
            return number, f"{number} {name}"
    return OPEN, "finished, not packed or fitted"


def steps_table(units: list[OnFloor]) -> Table:
    """How many units wait for, or are inside, each step."""
    counts: dict[tuple[str, str, int, str], Counter[str]] = {}
    for unit in units:
        counts.setdefault((unit.part, unit.part_name, unit.number, unit.step), Counter())[unit.state] += 1

    def count(row: tuple[str, str, int, str], state: str) -> Link:
        query = urlencode({"floor-part": row[0], "floor-step": row[3], "floor-state": state})
        number = counts[row][state]
        return Link(number, f"{reverse('floor')}?{query}", f"{number} {state}: {row[0]}, step {row[3]}")

    return Table(
        "steps",
        "Units waiting and inside, step by step",
        [
            Column("part", "Part", lambda row: Ref("part", row[0], row[1]), choose=True),
            Column("step", "Step", lambda row: row[3]),
            Column("waiting", "Waiting", lambda row: count(row, "waiting"), number=True),
            Column("inside", "Inside", lambda row: count(row, "inside"), number=True),
        ],
        sorted(counts),
        "No unit is on the floor. Release a work order to begin.",
    )


def units_on_floor_table(units: list[OnFloor]) -> Table:
    """Every unit on the floor."""
    return Table(
        "floor",
        "Units on the floor",
        [
            Column("serial", "Serial", lambda unit: Ref("unit", unit.key)),
            Column("part", "Part", lambda unit: Ref("part", unit.part), choose=True),
            Column("step", "Step", lambda unit: unit.step, choose=True),
            Column("state", "State", lambda unit: unit.state, choose=True),
            Column("where", "Where", lambda unit: where_cell(unit.where)),
            Column("since", "Since", lambda unit: Moment(unit.where.since or None)),
        ],
        units,
        "No unit is on the floor. Release a work order to begin.",
        sort="serial",
    )
