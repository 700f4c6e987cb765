"""What each way out of a containment costs, for its page: side by side, line by line, and by which rates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.http import HttpRequest

from trace.containment.holding import leave_out_used, say_used
from trace.containment.models import Containment, ContainmentRate
from trace.containment.operations.progress import set_rate
from trace.containment.rates import RATES, Rate, Rates
from trace.core.clock import OPEN
from trace.costing.claims import count_good, make_claim
from trace.costing.containments import Way, Ways, list_behind, summarise_ways
from trace.costing.rules import CostLine, CostPlace, Outlay
from trace.costing.spent import summarise_actuals
from trace.genealogy.forward import Population
from trace.genealogy.rules import Sureness
from trace.web.answer import Answer
from trace.web.cells import Link, Mark, Moment, Money, Ref
from trace.web.costs import find_line, lines_table, say_each
from trace.web.deeds import Ask, Deed
from trace.web.middleware import find_site
from trace.web.tables import Column, Table

RATE = Deed(
    set_rate,
    "Set a rate for this containment",
    [
        Ask(
            "name", "Rate", "choose", choices=[(rate.name, f"{rate.words} ({rate.measure})") for rate in RATES.values()]
        ),
        Ask("value", "Value", "number"),
        Ask("reason", "Reason", needed=False),
    ],
    button="Set it",
)

BEHIND: Mapping[Outlay, str] = {
    Outlay.CUSTOMERS: "customer",
    Outlay.STOCK: "container",
    Outlay.STOCK_CREDITED: "container",
}
"""What is behind a line where it is not units."""

Given = Mapping[str, ContainmentRate]


def ways_sheet(request: HttpRequest, it: Containment, answer: Answer) -> tuple[dict[str, Any], list[Table]]:
    """Context and tables of the page; the lines are of `?way=…`, and with `?option=…&line=…` what is behind one."""
    given = {one.name: one for one in it.rates.filter(superseded=None).select_related("by")}
    context: dict[str, Any] = {"answer": answer, "asof": answer.asof, "ways": None}
    if find_site() is None:
        return context, [_rates_table(given)]
    rates = Rates({name: one.value for name, one in given.items() if name in RATES})
    left = leave_out_used(it, answer.population)
    ways = summarise_ways(left, rates)
    costs = {_name(way): cost for way, cost in ways.costs.items()}
    line = find_line(request, costs)
    chosen = request.GET.get("way", "") or (request.GET["option"] if line else "")
    way = next((one for one in Way if _name(one) == chosen), ways.cheapest)
    until = OPEN if it.closed is None else it.closed
    spent = summarise_actuals(answer.population, it.opened, until, rates, it.clearings.all())
    claim = make_claim(left, spent, ways.costs[way], rates, count_good(answer.population, rates))
    context |= {"ways": ways, "line": line, "way": way, "unpriced": ways.costs[way].unpriced, "claim": claim}
    context["used"] = say_used(answer.population, left)
    nothing = "Nothing of it has cost anything since, by the records."
    tables = [
        _ways_table(ways, answer),
        lines_table(answer, _name(way), ways.costs[way], way.words.capitalize()),
        _lines_table("spent", "What it has cost so far", spent.lines, spent.currency, nothing),
        _lines_table("claimed", "What is claimed of the supplier", claim.lines, claim.currency, "Nothing is claimed."),
    ]
    if line:
        tables.append(_behind_table(left, line))
    return {**context, "lines": _name(way)}, [*tables, _rates_table(given)]


def _name(way: Way) -> str:
    """A way as an address names it."""
    return way.name.lower()


def _ways_table(ways: Ways, answer: Answer) -> Table:
    def total(way: Way) -> Link:
        query = answer.asof.query
        href = f"{query}{'&' if query else '?'}way={_name(way)}#{_name(way)}"
        return Link(Money(ways.costs[way].total, currency), href, f"{way.words}, line by line")

    def of_sureness(sureness: Sureness) -> Column:
        def value(way: Way) -> Money:
            return Money(ways.costs[way].by_sureness[sureness], currency)

        return Column(sureness.value, sureness.value.capitalize(), value, number=True)

    def of_place(place: CostPlace) -> Column:
        def value(way: Way) -> Money:
            return Money(ways.costs[way].by_place[place], currency)

        return Column(place.name.lower(), place.value.capitalize(), value, number=True)

    currency = ways.costs[Way.SCRAP].currency
    return Table(
        "ways",
        "Ways out, side by side",
        [
            Column("way", "Way", lambda way: way.words),
            of_sureness(Sureness.CERTAIN),
            of_sureness(Sureness.POSSIBLE),
            of_place(CostPlace.IN_PLANT),
            of_place(CostPlace.SHIPPED),
            Column("total", f"Together, {currency}", total, number=True),
            Column("unpriced", "Not in it", lambda way: " ".join(ways.costs[way].unpriced)),
        ],
        list(ways.costs),
        "There is no way out to price.",
        note="Each sum opens into its lines, each line into what is behind it.",
    )


def _lines_table(name: str, title: str, lines: Sequence[CostLine], currency: str, empty: str) -> Table:
    return Table(
        name,
        title,
        [
            Column("line", "Line", str),
            Column("outlay", "For", lambda line: line.outlay.value, choose=True),
            Column("sureness", "Sureness", lambda line: Mark(line.group.sureness.value), choose=True),
            Column("place", "Where", lambda line: line.group.place.value, choose=True),
            Column("quantity", "Quantity", lambda line: line.quantity, number=True),
            Column("each", "Each", lambda line: say_each(line, currency)),
            Column("amount", f"Amount, {currency}", lambda line: Money(line.amount, currency), number=True),
        ],
        lines,
        empty,
    )


def _behind_table(population: Population, line: CostLine) -> Table:
    kind = BEHIND.get(line.outlay, "unit")
    return Table(
        "behind",
        f"Behind “{line}”",
        [Column("key", "Which", lambda key: Ref(kind, key))],
        list_behind(population, line),
        "Nothing is behind this line.",
    )


def _rates_table(given: Given) -> Table:
    def value(rate: Rate) -> Any:
        if rate.name in given:
            return given[rate.name].value
        return rate.default if rate.derived is None else rate.derived.value

    def of_given(rate: Rate, name: str) -> Any:
        return getattr(given[rate.name], name) if rate.name in given else None

    return Table(
        "rates",
        "Rates",
        [
            Column("rate", "Rate", lambda rate: rate.words),
            Column("measure", "Counts", lambda rate: rate.measure.value),
            Column("value", "Value", value, number=True),
            Column("given", "Given for this", lambda rate: rate.name in given, choose=True),
            Column("when", "When", lambda rate: Moment(of_given(rate, "given"))),
            Column("reason", "Reason", lambda rate: of_given(rate, "reason")),
        ],
        list(RATES.values()),
        "There are no rates.",
    )
