"""Faults and repairs as pages show them: of a unit, counted, and as a Pareto picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from trace.core.clock import OPEN
from trace.core.permissions import OPERATIONS, may
from trace.engineering.models import Station
from trace.floor.faults import list_open_faults
from trace.floor.models import Diagnosis, Fault, Repair, Unit
from trace.quality.faults import BARS, BY, Counted, Log
from trace.web.cells import Link, Mark, Moment, Ref
from trace.web.corrections import wrong_column
from trace.web.tables import Column, Table

# Of a unit ------------------------------------------------------------------------------------------------------------


def list_fault_tables(unit: Unit, until: int = OPEN) -> list[Table]:
    """Its faults and repairs up to a moment, as far as there are any."""
    return [table for table in (unit_faults_table(unit, until), repairs_table(unit, until)) if table.rows.exists()]  # type: ignore[union-attr]


def repair_links(unit: Unit, roles: Iterable[str]) -> list[Link]:
    """Where something is done about a unit, for who may."""
    station = Station.objects.filter(repairs=True, retired=None).first()
    if station is None or not may(roles, OPERATIONS["record_fault"]):
        return []
    return [Link("Record a fault or a repair", reverse("repair", args=[station.key, unit.key]))]


def unit_faults_table(unit: Unit, until: int = OPEN) -> Table:
    """What was found wrong with a unit, what caused it, and whether it is answered."""
    open_faults = {fault.pk for fault in list_open_faults([unit]).get(unit.pk, [])}
    causes = {
        one.fault_id: one
        for one in Diagnosis.objects.filter(fault__unit=unit, superseded=None).select_related("cause", "step")
    }

    def cause(fault: Fault) -> str:
        one = causes.get(fault.pk)
        return f"{one.cause.name}{f', at step {one.step}' if one.step else ''}" if one else "not diagnosed"

    return Table(
        "faults",
        "What was found wrong",
        [
            Column("found", "Found", lambda one: Moment(one.found), "found"),
            Column("fault", "Fault", lambda one: one.words, "code__name"),
            Column("station", "At", lambda one: Ref("station", one.station.key), "station__key"),
            Column("step", "Step", lambda one: str(one.step or ""), "step__number"),
            Column("cause", "Cause", cause),
            Column("state", "State", lambda one: Mark("open" if one.pk in open_faults else "mended")),
            Column("note", "Remark", lambda one: one.note),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
            wrong_column(),
        ],
        Fault.objects.filter(unit=unit, superseded=None, found__lte=until)
        .select_related("unit", "code", "station", "step", "by")
        .order_by("-found", "-pk"),
        "Nothing was found wrong with it yet.",
    )


def repairs_table(unit: Unit, until: int = OPEN) -> Table:
    """What was done about its faults."""
    return Table(
        "repairs",
        "What was done about it",
        [
            Column("at", "When", lambda one: Moment(one.at), "at"),
            Column("action", "What was done", lambda one: one.get_action_display(), "action"),
            Column("designator", "Designator", lambda one: one.designator, "designator"),
            Column("faults", "It answers", lambda one: ", ".join(fault.words for fault in one.faults.all())),
            Column("minutes", "Minutes", lambda one: one.minutes, "minutes", number=True),
            Column("returns", "Back to step", lambda one: str(one.returns or "where it was due")),
            Column("station", "At", lambda one: Ref("station", one.station.key) if one.station else ""),
            Column("note", "Remark", lambda one: one.note),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
            wrong_column(),
        ],
        Repair.objects.filter(unit=unit, superseded=None, at__lte=until)
        .select_related("unit", "station", "returns", "by")
        .prefetch_related("faults__code")
        .order_by("-at", "-pk"),
        "Nothing was done about it yet.",
    )


# The log --------------------------------------------------------------------------------------------------------------


def address(found: Log, **changes: str) -> str:
    """The log again, with some of what was asked changed."""
    period = {"period": "days", "from": f"{found.period.first}", "to": f"{found.period.last}"}
    if found.period.name == "shift":
        period = {"period": "shift"}
    return f"{reverse('faults')}?{urlencode({'by': found.by, **period, **found.chosen, **changes})}"


def tenths(number: Fraction | None) -> Decimal | None:
    if number is None:
        return None
    return (Decimal(number.numerator) / number.denominator).quantize(Decimal("0.1"), ROUND_HALF_EVEN)


def pareto_table(found: Log) -> Table:
    """The kinds, counted: the picture's facts as rows."""

    def kind(row: Counted) -> Link:
        return Link(row.words, address(found, **{found.by: row.key}) + "#log", f"the units with {row.words}")

    return Table(
        "kinds",
        f"Counted by {BY[found.by]}",
        [
            Column("kind", BY[found.by].capitalize(), kind),
            Column("faults", "Faults", lambda row: row.faults, number=True),
            Column("units", "Units", lambda row: row.units, number=True),
            Column("per", "Faults per thousand units passed", lambda row: tenths(row.per_thousand), number=True),
            Column("sum", "Cumulative, %", lambda row: tenths(row.cumulative * 100), number=True),
        ],
        found.counted,
        "No fault was found there in this time.",
    )


def log_table(found: Log) -> Table:
    """Each fault, the latest first."""
    return Table(
        "log",
        "Each of them",
        [
            Column("found", "Found", lambda one: Moment(one.found), "found"),
            Column("unit", "Unit", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("product", "Product", lambda one: Ref("part", one.unit.part.key), "unit__part__key", choose=True),
            Column("fault", "Fault", lambda one: one.code.name, "code__name", choose=True),
            Column("designator", "Designator", lambda one: one.designator, "designator"),
            Column("cause", "Cause", lambda one: one.cause_name or "not diagnosed", "cause_name"),
            Column("station", "At", lambda one: Ref("station", one.station.key), "station__key", choose=True),
            Column("step", "Step", lambda one: str(one.step or ""), "step__number"),
            Column("note", "Remark", lambda one: one.note),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
        ],
        found.faults,
        "No fault was found there in this time.",
        search=("unit__key", "code__name", "designator", "note"),
    )


def lots_table(found: Log) -> Table:
    """What may have been at the faulty places: from each lot it is one step to all that carries it."""
    return Table(
        "lots",
        "Lots at these places",
        [
            Column("lot", "Lot", lambda row: Ref("lot", row[0].key)),
            Column("part", "Part", lambda row: Ref("part", row[0].part.key, row[0].part.name)),
            Column("supplier", "Supplier", lambda row: Ref("supplier", row[0].supplier.key, row[0].supplier.name)),
            Column("date", "Date code", lambda row: row[0].date_code),
            Column("faults", "Faults", lambda row: row[1], number=True),
            Column("units", "Units", lambda row: row[2], number=True),
        ],
        found.lots,
        "None of these faults is at a designator.",
        note="What was, or may have been, at the designators of these faults when they were found. The page of a lot "
        "has everything that carries it, and where that is now.",
    )


LEFT, TOP, HIGH, WIDE, FOOT = 56, 24, 260, 46, 120
"""Of the picture, in its own units: the room left and above, how high the bars may be, how far apart they stand, and
the room for their names."""


@dataclass(frozen=True)
class Bar:
    """One bar: where it stands, how high it is, its number and name, where it leads; where the line of the cumulative
    share passes over it."""

    x: float
    y: float
    height: float
    number: int
    words: str
    says: str
    href: str
    share: int
    line_y: float

    @property
    def middle(self) -> float:
        return self.x + WIDE / 2 - 4


@dataclass(frozen=True)
class Pareto:
    """The picture: bars, the points of the line, the marks of both scales."""

    bars: Sequence[Bar]
    most: int

    width = LEFT + WIDE * BARS + 70
    height = TOP + HIGH + FOOT
    floor = TOP + HIGH
    left = LEFT - 8
    bar = WIDE - 8

    @property
    def right(self) -> float:
        return LEFT + WIDE * len(self.bars)

    @property
    def line(self) -> str:
        return " ".join(f"{bar.middle:g},{bar.line_y:g}" for bar in self.bars)

    @property
    def scale(self) -> list[tuple[float, int]]:
        """Marks of the scale of numbers: height, number."""
        step = max(1, -(-self.most // 5))
        return [(self.floor - HIGH * number / self.most, number) for number in range(0, self.most + 1, step)]

    @property
    def shares(self) -> list[tuple[float, int]]:
        """Marks of the scale of shares."""
        return [(self.floor - HIGH * share / 100, share) for share in (0, 50, 80, 100)]


def draw_pareto(found: Log) -> Pareto | None:
    """The most frequent kinds as bars, with the line of their cumulative share."""
    kinds: list[Any] = list(found.counted[:BARS])
    if not kinds:
        return None
    most = kinds[0].faults
    bars = [
        Bar(
            x=LEFT + WIDE * n,
            y=round(TOP + HIGH * (1 - one.faults / most), 1),
            height=round(HIGH * one.faults / most, 1),
            number=one.faults,
            words=one.words if len(one.words) <= 22 else f"{one.words[:21]}…",
            says=f"{one.words}: {one.faults} faults in {one.units} units, "
            f"{tenths(one.cumulative * 100)} percent of all with those before it",
            href=address(found, **{found.by: one.key}) + "#log",
            share=round(one.cumulative * 100),
            line_y=round(float(TOP + HIGH * (1 - one.cumulative)), 1),
        )
        for n, one in enumerate(kinds)
    ]
    return Pareto(bars, most)
