"""What is claimed of the supplier of suspect material: of what it has cost and will, the part that follows from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from django.db.models import QuerySet

from trace.containment.population import was_sorted
from trace.containment.rates import Rates
from trace.costing.rules import TEN_PLACES, ZERO, Cost, CostLine, Outlay
from trace.costing.spoilage import split_spoiled
from trace.floor.models import Unit, WorkOrder
from trace.floor.progress import ENDED, count_through, list_by_state
from trace.genealogy.direct import CHUNK
from trace.genealogy.forward import Population
from trace.genealogy.rules import Sureness

CLAIMED: Mapping[str, frozenset[Outlay]] = {
    "material": frozenset(
        {
            Outlay.MATERIAL,
            Outlay.SALVAGED,
            Outlay.NEW_PARTS,
            Outlay.STOCK,
            Outlay.STOCK_CREDITED,
            Outlay.SCRAPPED_PARTS,
        }
    ),
    "work lost": frozenset({Outlay.LABOUR, Outlay.SALVAGED_WORK, Outlay.SALVAGING, Outlay.DISPOSAL}),
    "sorting": frozenset({Outlay.SORTING}),
    "rework": frozenset({Outlay.REPLACING, Outlay.REPAIR, Outlay.RETEST}),
    "freight": frozenset({Outlay.FREIGHT, Outlay.HANDLING}),
}
"""What is claimed, under its headings; work for customers, units used as they are, and steps that the plant does again
are its own affair."""


@dataclass(frozen=True)
class Claim:
    """The lines that are claimed, each cut to the share that is; `bad` units in all, of which so many are `normal` and
    left out, by the good units made beside them."""

    currency: str
    lines: tuple[CostLine, ...]
    rates: Rates
    bad: Decimal
    normal: Decimal
    good: int

    @property
    def total(self) -> Decimal:
        return sum((line.amount for line in self.lines), ZERO)

    @property
    def by_heading(self) -> dict[str, Decimal]:
        """The total by what it is claimed for."""
        return {
            heading: sum((line.amount for line in self.lines if line.outlay in outlays), ZERO)
            for heading, outlays in CLAIMED.items()
        }

    @property
    def sentence(self) -> str:
        """The rule by which it is made."""
        certain, possible = self.rates["claim_certain"], self.rates["claim_possible"]
        shares = f"Claimed are {certain:.0%} of what certain and cleared units cost and {possible:.0%} of possible ones"
        normal = "no spoilage is normal"
        if rate := self.rates["normal_spoilage"]:
            normal = (
                f"of {_say(self.bad)} bad units {_say(self.normal)} are normal, {rate:.2%} of {self.good} good ones "
                f"of the same orders, and left out, and {_say(self.bad - self.normal)} abnormal"
            )
        return f"{shares}: {', '.join(CLAIMED)}; {normal}. Work for customers is not in it."


def make_claim(population: Population, spent: Cost, ahead: Cost | None, rates: Rates, good: int = 0) -> Claim:
    """A claim of what was `spent` and of the way `ahead` that was chosen, if there is more to do: of the population as
    it is now, so that nothing is in both. `good` units were made beside them; normal spoilage is by those. Bad is
    what is expected to be, and what was reworked; what a sort test cleared is good."""
    shares = {
        Sureness.CERTAIN: rates["claim_certain"],
        Sureness.CLEARED: rates["claim_certain"],
        Sureness.POSSIBLE: rates["claim_possible"],
    }
    expected = {
        Sureness.CERTAIN: rates["bad_certain"],
        Sureness.CLEARED: Decimal(1),
        Sureness.POSSIBLE: rates["bad_possible"],
    }
    bad = sum((expected[top.sureness] for top in population.tops() if not was_sorted(top)), ZERO)
    normal, abnormal = split_spoiled(bad, Decimal(good), rates["normal_spoilage"])
    rest = abnormal / bad if bad else Decimal(1)
    claimed = frozenset().union(*CLAIMED.values())
    lines = [
        replace(line, quantity=(line.quantity * share * rest).quantize(TEN_PLACES))
        for cost in filter(None, (spent, ahead))
        for line in cost.lines
        if line.outlay in claimed and (share := shares[line.group.sureness]) and rest
    ]
    return Claim(spent.currency, tuple(lines), rates, bad, normal, good)


def count_good(population: Population, rates: Rates) -> int:
    """How many units came through by now on the orders of its outermost units, beside what is in it and was not cleared
    by a sort test: by them it is said how many spoiled ones are normal. 0 where none are."""
    if not rates["normal_spoilage"]:
        return 0
    orders = {order for mine in _chunks(top.unit for top in population.tops()) for order in _orders_of(mine)}
    among = 0
    for mine in _chunks(one.unit for one in population.carriers if not was_sorted(one)):
        through = list_by_state(mine.filter(order__in=orders)).filter(state__in=[str(state) for state in ENDED])
        among += through.count()
    came = count_through(WorkOrder.objects.filter(pk__in=orders)).values_list("through", flat=True)
    return sum(came) - among


def _chunks(units: Iterable[int]) -> Iterator[QuerySet[Unit]]:
    ordered = sorted(set(units))
    for start in range(0, len(ordered), CHUNK):
        yield Unit.objects.filter(pk__in=ordered[start : start + CHUNK])


def _orders_of(units: QuerySet[Unit]) -> set[int]:
    return set(units.order_by().values_list("order", flat=True).distinct())


def _say(number: Decimal) -> str:
    return f"{round(number, 2).normalize():f}"
