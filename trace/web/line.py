"""A line as pages show it: its stations, its products, what stands there, what passed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from trace.core.clock import to_ticks
from trace.engineering.models import Station
from trace.floor.models import Pass
from trace.quality.queries import INSIDE, WAITING, OnLine
from trace.quality.rules import is_below
from trace.quality.standing import AtStation, OfPart, Standing
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.clocks import duration
from trace.web.tables import Column, Table

TENTH = Decimal("0.1")


class Lasting(int):
    """A length of time in microseconds, in words; sorted by its length."""

    def __str__(self) -> str:
        return duration(int(self))

    def show(self, asof: str) -> SafeString:
        return format_html("{}", str(self))


def lasting(ticks: int | None) -> Lasting | None:
    return None if ticks is None else Lasting(ticks)


def asked(standing: Standing) -> dict[str, str]:
    """What asks for this line and period again."""
    line, period = standing.line, standing.period
    days = {"from": f"{period.first}", "to": f"{period.last}"} if period.name == "days" else {}
    return {"area": line.area, "product": line.product.key if line.product else "", "period": period.name, **days}


def percent(share: Fraction | None) -> Decimal | None:
    """A share in percent, rounded down: only what is whole shows as 100."""
    return None if share is None else _tenths(share * 100, ROUND_DOWN)


def per_hour(pace: Fraction | None) -> Decimal | None:
    return None if pace is None else _tenths(pace, ROUND_HALF_EVEN)


def seconds(time: timedelta | None) -> Decimal | int | None:
    """Whole seconds, of short times with a tenth."""
    tenths = Decimal(time // timedelta(milliseconds=100)) / 10 if time is not None else None
    return round(tenths) if tenths is not None and tenths >= 10 else tenths


def _tenths(number: Fraction, rounding: str) -> Decimal:
    return (Decimal(number.numerator) / number.denominator).quantize(TENTH, rounding)


def at_work(time: timedelta | None) -> str:
    """A length of working time."""
    if time is None:
        return "not known"
    hours, minutes = divmod(time // timedelta(minutes=1), 60)
    return f"{hours} h {minutes} min of work"


def list_facts(standing: Standing) -> list[tuple[str, Any]]:
    """The flow: what is in process, and how long a unit takes through."""
    link = reverse("line-units")
    query = asked(standing)
    to_come = sum(not unit.begun for unit in standing.units)
    done = sum(one.number for one in standing.done)
    return [
        ("In process", Link(standing.in_process, f"{link}?{urlencode({**query, 'units-begun': 'yes'})}")),
        ("Not begun on the line", Link(to_come, f"{link}?{urlencode({**query, 'units-begun': 'no'})}")),
        ("Time to build", f"{at_work(standing.worked)} gone; {at_work(standing.available)} on the days of the period"),
        ("Lead time, expected", f"{at_work(standing.expected_lead)}: in process over done per hour, by Little’s law"),
        (
            "Lead time, measured",
            f"{at_work(standing.measured_lead)}, the mean of {done} done" if done else "none is done",
        ),
    ]


def stations_table(standing: Standing) -> Table:
    """The stations of the line, in the order in which units come by."""
    query = asked(standing)

    def units(row: AtStation, number: int, state: str) -> Link:
        filters = {**query, "station": row.station.key, "units-state": state}
        return Link(number, f"{reverse('line-units')}?{urlencode(filters)}", f"{number} {state}: {row.station.key}")

    def passes(row: AtStation, value: Any, words: str, **filters: str) -> Link:
        filters = {**query, "station": row.station.key, **{f"passes-{name}": text for name, text in filters.items()}}
        label = f"{value} {words}: {row.station.key}"
        return Link("" if value is None else value, f"{reverse('line-passes')}?{urlencode(filters)}", label)

    def lately(row: AtStation) -> Link:
        return passes(row, row.lately, "in the last hour")

    def first_pass(row: AtStation) -> Link:
        return passes(row, percent(row.first_pass), "percent passed the first time", first="yes")

    return Table(
        "stations",
        "Stations, in the order in which units come by",
        [
            Column("station", "Station", _station_cell),
            Column("inside", "Inside", lambda row: units(row, row.inside, INSIDE), number=True),
            Column("waiting", "Waiting", lambda row: units(row, row.waiting, WAITING), number=True),
            Column("oldest", "Longest there", lambda row: lasting(row.oldest), number=True),
            Column("middle", "Median", lambda row: lasting(row.middle), number=True),
            Column("cycle", "Cycle, s", lambda row: seconds(row.cycle), number=True),
            Column("takt", "Takt, s", lambda row: seconds(row.takt), number=True),
            Column("yield", "First pass, %", first_pass, number=True),
            Column("passed", "Passed", lambda row: passes(row, row.passed, "passed", right="yes"), number=True),
            Column("not", "Not passed", lambda row: passes(row, row.not_passed, "not passed", right="no"), number=True),
            *([Column("lately", "In the last hour", lately, number=True)] if standing.running else []),
            Column("pace", "Per hour", lambda row: passes(row, per_hour(row.pace), "per hour"), number=True),
            Column("steps", "Steps", lambda row: ", ".join(dict.fromkeys(f"{step.number}" for step in row.steps))),
        ],
        standing.stations,
        "No station is on the line. A planner brings in stations and routes as lists.",
        note=HOW_STATIONS,
    )


HOW_STATIONS = (
    "Waiting: begun, and due at a step that the station does; where several stations do it, at each of them. Cycle: "
    "for how long a station has work for a unit, the median, from scan in to scan out; where units are not scanned in, "
    "from the scan before. Takt: for how long it has time for one, if what is to be built on these days is built in "
    "their shifts. First pass: of the first tries of its steps, those that passed."
)
HOW_PRODUCTS = (
    "To build: what was not done when these days began, of the orders due by their end. Takt: the shifts of these days "
    "over what is to be built. Rolled yield: the product of the first-pass yields of the steps that were tried. "
    "Defects: passes that failed or were aborted, each try of a step an opportunity."
)


def _station_cell(row: AtStation) -> Several:
    marks = [Mark("slowest")] * row.slowest
    marks += [Mark("below its limit")] * is_below(row.first_pass, row.station.yield_limit)
    return Several((Ref("station", row.station.key, row.station.name), *marks), " ")


def parts_table(standing: Standing) -> Table:
    """The products of the line: against plan, and how many go through right the first time."""

    def done(row: OfPart) -> Link:
        turn = standing.line.turns[row.part.pk][-1]
        step = {"passes-step": f"{turn[0].number}"} if len(turn) == 1 else {}
        filters = {**asked(standing), "product": row.part.key, "passes-right": "yes", **step}
        return Link(row.done, f"{reverse('line-passes')}?{urlencode(filters)}", f"{row.done} done: {row.part.key}")

    def rolled(row: OfPart) -> Decimal | None:
        return percent(row.rolled)

    return Table(
        "parts",
        "Products, against plan",
        [
            Column("part", "Part", lambda row: Ref("part", row.part.key, row.part.name)),
            Column("build", "To build", lambda row: row.to_build, number=True),
            Column("due", "Due by now" if standing.running else "Due by then", lambda row: row.due, number=True),
            Column("done", "Done", done, number=True),
            Column("takt", "Takt, s", lambda row: seconds(row.takt), number=True),
            Column("rolled", "Rolled yield, %", rolled, number=True),
            Column("steps", "Of steps", lambda row: f"{row.tried} of {row.steps}", number=True),
            Column("defects", "Defects per million", lambda row: row.defects and int(row.defects), number=True),
        ],
        standing.parts,
        "Nothing was to be built, was built or was tried.",
        note=HOW_PRODUCTS,
    )


def limits_table(rows: Sequence[tuple[Station, Fraction]]) -> Table:
    """Stations whose first-pass yield is below its limit."""

    def share(row: tuple[Station, Fraction]) -> Link:
        query = {"area": row[0].area, "product": "", "period": "week"}
        return Link(
            percent(row[1]), f"{reverse('line')}?{urlencode(query)}", f"{percent(row[1])} percent: {row[0].key}"
        )

    return Table(
        "yields",
        "First-pass yields below their limits, over seven days",
        [
            Column("station", "Station", lambda row: Ref("station", row[0].key, row[0].name)),
            Column("yield", "First pass, %", share, number=True),
            Column("limit", "Limit, %", lambda row: row[0].yield_limit, number=True),
        ],
        rows,
        "No yield is below its limit.",
    )


def units_table(standing: Standing, station: Station | None) -> Table:
    """The units on the line, or those at one station."""
    stations = {at.pk: at for at in standing.line.stations}
    units = [unit for unit in standing.units if station is None or station.pk in unit.stands_at(standing.line)]

    def where(unit: OnLine) -> Several:
        return Several(tuple(Ref("station", stations[pk].key) for pk in unit.stands_at(standing.line)), " or ")

    def since(unit: OnLine) -> Lasting | str:
        return Lasting(max(to_ticks(standing.at) - unit.since, 0)) if unit.since else ""

    return Table(
        "units",
        "Units on the line",
        [
            Column("unit", "Unit", lambda unit: Ref("unit", unit.key)),
            Column("part", "Part", lambda unit: Ref("part", standing.line.parts[unit.part].key), choose=True),
            Column("state", "State", lambda unit: unit.state, choose=True),
            Column("station", "Station", where),
            Column("step", "Step", lambda unit: " or ".join(map(str, unit.steps))),
            Column("begun", "Begun on the line", lambda unit: "yes" if unit.begun else "no", choose=True),
            Column("since", "Since", lambda unit: Moment(unit.since or None)),
            Column("there", "For", since),
        ],
        units,
        "No unit is there.",
        sort="since",
    )


def passes_table(passes: QuerySet[Pass]) -> Table:
    """What passed in the period, or did not."""
    return Table(
        "passes",
        "Passes, the latest first",
        [
            Column("unit", "Unit", lambda it: Ref("unit", it.unit.key), "unit__key"),
            Column("part", "Part", lambda it: Ref("part", it.unit.part.key), "unit__part__key", choose=True),
            Column("step", "Step", lambda it: str(it.step), "step__number", choose=True),
            Column("station", "Station", lambda it: Ref("station", it.station.key), "station__key", choose=True),
            Column("outcome", "Outcome", lambda it: it.outcome, "outcome", choose=True),
            Column("right", "Passed", lambda it: it.right, "right", choose=True),
            Column("first", "First try", lambda it: it.first_try, "first_try", choose=True),
            Column("gone", "When", lambda it: Moment(it.gone), "gone"),
            Column("by", "By", lambda it: Ref("person", it.by.key, it.by.name), "by__key"),
        ],
        passes,
        "Nothing passed there in this time.",
        search=("unit__key", "rack"),
    )
