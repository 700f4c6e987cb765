"""The cost of a population for a page: sums that open down to the line, lines down to the units."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest

from trace.costing.queries import day_of, list_material_behind, list_units_behind, summarise_rework, summarise_scrap
from trace.costing.rules import Cost, CostLine, Outlay
from trace.genealogy.forward import Population
from trace.web.answer import Answer
from trace.web.cells import Link, Mark, Money, Ref
from trace.web.middleware import find_site
from trace.web.tables import Column, Table

OPTIONS = {"scrap": summarise_scrap, "rework": summarise_rework}
"""What can be done about a population, and the sum of each."""


def summarise_costs(population: Population) -> dict[str, Cost] | None:
    """The cost of each option; None where no plant is on record to say the currency."""
    if find_site() is None:
        return None
    return {name: reckon(population) for name, reckon in OPTIONS.items()}


def cost_sheet(request: HttpRequest, answer: Answer) -> tuple[dict[str, Any], list[Table]]:
    """Context and tables of the cost page; with `?option=…&line=…`, the units behind a line too."""
    costs = summarise_costs(answer.population)
    context: dict[str, Any] = {"answer": answer, "asof": answer.asof, "costs": costs}
    if costs is None:
        return context, []
    tables = [lines_table(answer, name, cost, name.capitalize()) for name, cost in costs.items()]
    line = find_line(request, costs)
    if line:
        context["line"] = line
        tables.append(_behind_table(answer, line))
        if line.outlay == Outlay.MATERIAL:
            tables.append(_material_table(line, costs["scrap"].currency, day_of(answer.population.at)))
    return context, tables


def find_line(request: HttpRequest, costs: Mapping[str, Cost]) -> CostLine | None:
    """The line that an address asks for (`?option=…&line=…`); None where it asks for none."""
    cost = costs.get(request.GET.get("option", ""))
    number = request.GET.get("line", "")
    if cost is None or not number.isdecimal() or int(number) >= len(cost.lines):
        return None
    return cost.lines[int(number)]


def lines_table(answer: Answer, option: str, cost: Cost, title: str) -> Table:
    """The lines of a sum, each with its quantity, price or minutes and rate, and what is behind it."""

    def behind(row: tuple[int, CostLine]) -> Link:
        query = urlencode({**answer.asof.fields, "option": option, "line": row[0]})
        return Link(row[1].count, f"?{query}#behind", f"{row[1].count} behind {row[1]}")

    currency = cost.currency
    return Table(
        option,
        title,
        [
            Column("line", "Line", lambda row: str(row[1])),
            Column("outlay", "For", lambda row: row[1].outlay.value, choose=True),
            Column("sureness", "Sureness", lambda row: Mark(row[1].group.sureness.value), choose=True),
            Column("place", "Where", lambda row: row[1].group.place.value, choose=True),
            Column("count", "Places" if option == "rework" else "Units", behind, number=True),
            Column("quantity", "Quantity", lambda row: row[1].quantity, number=True),
            Column("each", "Each", lambda row: say_each(row[1], currency)),
            Column("amount", f"Amount, {currency}", lambda row: Money(row[1].amount, currency), number=True),
        ],
        list(enumerate(cost.lines)),
        "Nothing to pay for: no unit carries it, or what carries it cost nothing yet.",
    )


def say_each(line: CostLine, currency: str) -> str:
    """The price of one in words, as the sum is made."""
    if line.outlay.timed:
        return f"{line.minutes.normalize():f} min at {line.rate.normalize():f} {currency}/h"
    return f"{line.price.normalize():f} {currency}"


def _behind_table(answer: Answer, line: CostLine) -> Table:
    return Table(
        "behind",
        "Units behind it",
        [Column("serial", "Serial", lambda key: Ref("unit", key))],
        list_units_behind(answer.population, line),
        "No unit is behind this line.",
    )


def _material_table(line: CostLine, currency: str, day: date) -> Table:
    return Table(
        "material",
        "Material in it",
        [
            Column("part", "Part", lambda row: Ref("part", row.part)),
            Column("quantity", "Quantity", lambda row: row.quantity, number=True),
            Column("price", "Each", lambda row: row.price, number=True),
            Column("amount", f"Amount, {currency}", lambda row: Money(row.amount, currency), number=True),
        ],
        list_material_behind(line, day),
        "Nothing is in it.",
    )
