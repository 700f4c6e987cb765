"""What each way out of a containment costs, side by side, by the standard costs and rates of its day and its own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Self

from trace.containment.rates import Rates
from trace.costing.grouped import count_tops, get_currency
from trace.costing.queries import list_lost_behind, list_scrap_lines, list_units_behind
from trace.costing.reckoning import Reckoning
from trace.costing.rules import ZERO, Cost, CostLine, Outlay, round_money
from trace.genealogy.forward import Population
from trace.genealogy.rules import Sureness


class Way(StrEnum):
    """A way out: in a word, what it does, and as something that is being done."""

    words: str
    doing: str

    def __new__(cls, value: str, words: str, doing: str) -> Self:
        member = str.__new__(cls, value)
        member._value_, member.words, member.doing = value, words, doing
        return member

    SCRAP = "scrap", "scrap every unit", "scrapping every unit"
    REWORK = "rework", "rework every unit", "reworking every unit"
    SORT = "sort", "sort every unit by test, rework what fails", "sorting every unit and reworking what fails"
    SORT_POSSIBLE = (
        "sort possible",
        "rework the certain, sort the possible by test, rework what fails",
        "reworking the certain, sorting the possible and reworking what fails",
    )
    USE = "use as is", "use every unit as it is", "using every unit as it is"


SIX_PLACES = Decimal("1E-6")

PUTS_RIGHT = (Way.SCRAP, Way.REWORK, Way.SORT, Way.SORT_POSSIBLE)
"""After these nobody has the suspect any more."""

SORTED: Mapping[Way, frozenset[Sureness]] = {
    Way.SORT: frozenset({Sureness.CERTAIN, Sureness.POSSIBLE}),
    Way.SORT_POSSIBLE: frozenset({Sureness.POSSIBLE}),
}
"""Which units a way sorts by test; the others it reworks."""

MENDING = frozenset({Outlay.NEW_PARTS, Outlay.REPLACING, Outlay.REDOING, Outlay.RETEST})
"""What the rework of a unit takes: it grows with the share that is bad."""

EACH_TOP = frozenset({Outlay.SORTING, Outlay.RELEASING, Outlay.FREIGHT, Outlay.HANDLING, Outlay.DISPOSAL})
"""Lines about outermost units."""


@dataclass(frozen=True)
class Ways:
    """Each way out with its cost, by the same rates. `unpriced`: what of any of them is in no cost, in sentences."""

    rates: Rates
    costs: Mapping[Way, Cost]
    unpriced: tuple[str, ...] = ()

    @property
    def cheapest(self) -> Way:
        """Of the ways that put it right and are priced whole, the one that costs least; of equal ones the first."""
        whole = [way for way in PUTS_RIGHT if not self.costs[way].unpriced] or list(PUTS_RIGHT)
        return min(whole, key=lambda way: self.costs[way].total)

    def find_break_even(self, way: Way, other: Way) -> Decimal | None:
        """The share of bad units, among those that `way` sorts, at which it costs as much as `other`, as finely as a
        rate is given; None where there is none between 0 and 1, or where every share does. (At 1 sorting that takes no
        time costs what rework does: that tells nobody which to choose.)"""
        sorts = SORTED[way]
        full = sum((line.amount for line in self.costs[Way.REWORK].lines if _grows(line, sorts)), ZERO)
        fixed = sum((line.amount for line in self.costs[way].lines if not _grows(line, sorts)), ZERO)
        if not full:
            return None
        share = ((self.costs[other].total - fixed) / full).quantize(SIX_PLACES)
        return share if 0 < round(share, 3) < 1 else None

    @property
    def break_evens(self) -> Mapping[tuple[Way, Way], Decimal]:
        """{(a way that sorts, scrap or rework): the share of bad units at which they cost the same}, where there is
        one."""
        pairs = [(way, other) for way in SORTED for other in (Way.SCRAP, Way.REWORK)]
        found = {pair: self.find_break_even(*pair) for pair in pairs}
        return {pair: share for pair, share in found.items() if share is not None}

    @property
    def sentence(self) -> str:
        """Which way costs least, and by how much."""
        if not any(cost.lines for cost in self.costs.values()):
            return "There is nothing to pay for."
        least = self.cheapest
        others = [way for way in PUTS_RIGHT if way != least]
        second = min(others, key=lambda way: self.costs[way].total)
        more = self.costs[second].total - self.costs[least].total
        beside = f"{second.doing} costs {self._say(more)} more" if more > 0 else f"{second.doing} costs as much"
        if more < 0:
            beside = f"{second.doing} is not priced whole"
        return (
            f"{least.doing.capitalize()} costs least, {self._say(self.costs[least].total)}; {beside}. "
            f"{Way.USE.doing.capitalize()} would cost {self._say(self.costs[Way.USE].total)}: whether that may be done "
            "is for qualified people to decide, on evidence, not by what it costs."
        )

    @property
    def break_even_sentences(self) -> list[str]:
        """Each break-even in words."""
        return [
            f"Where {share:.1%} of those sorted are bad, {way.doing} costs as much as {other.doing}."
            for (way, other), share in self.break_evens.items()
        ]

    @property
    def unset_sentence(self) -> str:
        """What is in no cost since nobody has said what it takes; empty where all was said."""
        if not (unset := self.rates.unset):
            return ""
        listed = "; ".join(rate.words for rate in unset)
        return f"Taken to be 0, as no rate was set for this containment: {listed}. The true costs may be higher."

    def _say(self, amount: Decimal) -> str:
        currency = self.costs[Way.SCRAP].currency
        return f"{round_money(amount, currency):,f} {currency}"


def _grows(line: CostLine, sorts: Iterable[Sureness]) -> bool:
    """Whether a line grows with the share that is bad of the units that are sorted."""
    return line.outlay in MENDING and line.group.sureness in sorts


def summarise_ways(population: Population, rates: Rates | None = None) -> Ways:
    """What the outermost units of a population, and the suspect stock, cost by each way out. Certain and possible, in
    the plant and shipped, stand apart; what was scrapped before costs nothing more.

    Scrap: each unit at standard cost accumulated to where it stands, less what is fitted in it and carries nothing,
    which is kept; and disposal. Rework: as `summarise_rework`; where a unit is suspect for what was done to it, that
    step again; and every test it had passed since, its own and those of the units that are opened for it. Sorting: the
    test of each unit, and the rework of the share that is bad; the rest goes back. Shipped units come back in all of
    these, with freight and handling, and suspect stock is lost but for what the supplier takes back. As it is: handling
    only. Customers are worked for in every way. Rates that are 0 make no line. No Site: its DoesNotExist.
    """
    it = Reckoning(population, rates or Rates())
    back = [*it.list_returning(), *it.list_stock_lines()]
    customers = list(it.list_customer_work())
    lost = [
        *list_scrap_lines(it.standing, population.at),
        *it.list_kept(),
        *it.list_each(Outlay.DISPOSAL, "disposal"),
    ]
    lines: dict[Way, list[CostLine]] = {
        Way.SCRAP: lost + back,
        Way.REWORK: [*it.rework, *back],
        **{way: [*_sort(it, sorts), *back] for way, sorts in SORTED.items()},
        Way.USE: list(it.list_each(Outlay.RELEASING, "release_minutes", "handling_rate")),
    }
    currency, units = get_currency(), count_tops(population)
    costs = {
        way: Cost(currency, (*of, *customers), units, tuple(_say_unmended(it)) if way in (Way.REWORK, *SORTED) else ())
        for way, of in lines.items()
    }
    return Ways(it.rates, costs, tuple(_list_unpriced(it)))


def _sort(it: Reckoning, sorts: Iterable[Sureness]) -> Iterator[CostLine]:
    """Sorting these units, reworking those of them that fail and all others."""
    yield from it.list_each(Outlay.SORTING, "sort_minutes", "sort_rate", sureness=frozenset(sorts))
    shares = {Sureness.CERTAIN: it.rates["bad_certain"], Sureness.POSSIBLE: it.rates["bad_possible"]}
    for line in it.rework:
        share = shares[line.group.sureness] if line.group.sureness in sorts else Decimal(1)
        if share:
            yield replace(line, quantity=line.quantity * share)


def _say_unmended(it: Reckoning) -> Iterator[str]:
    if n := it.unmendable:
        have = "unit has" if n == 1 else "units have"
        yield f"{n} {have} nothing on record to replace or to do again: what their rework takes is not priced."


def _list_unpriced(it: Reckoning) -> Iterator[str]:
    if n := it.uncounted:
        yield f"{n} suspect container{' was' if n == 1 else 's were'} never counted: not in the cost."
    if n := it.tapes:
        yield f"Suspect board sets are on {n} tape{'s' * (n != 1)}: not in the cost."


def list_behind(population: Population, line: CostLine) -> list[str]:
    """Keys of what a line of one of these costs counts, in order: units, as often as they have places behind it; of
    work for customers the customers, of stock the containers."""
    it = Reckoning(population, Rates())
    if line.outlay in EACH_TOP:
        return sorted(top.key for top in it.tops.get((line.group, line.assembly), ()))
    match line.outlay:
        case Outlay.CUSTOMERS:
            return sorted(key for key, sureness in it.customers.items() if sureness == line.group.sureness)
        case Outlay.STOCK | Outlay.STOCK_CREDITED:
            return sorted(key for key, left in it.stock[line.group, line.part].items() if left)
        case Outlay.SALVAGED | Outlay.SALVAGED_WORK:
            return list_lost_behind({line.group: it.kept.get(line.group, [])}, line, population.at)
        case Outlay.SALVAGING:
            return it.list_taken_out(line)
        case Outlay.REDOING | Outlay.RETEST:
            return it.list_done_again(line)
    return list_units_behind(population, line)
