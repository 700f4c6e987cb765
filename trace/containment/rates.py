"""The rates by which a containment is costed: named, each with what it is by default. Pure: no database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from trace.containment.models import Containment
from trace.core.errors import Kind, Refusal

ONE = Decimal(1)
MOST, PLACES = Decimal(10) ** 12, 6
"""A rate is below MOST, with so many decimals."""


class Derived(StrEnum):
    """What of the records a rate is, where none is given."""

    ON_ROUTE = "the highest rate on the route of the unit"
    ANYWHERE = "the highest rate of any station in use"


class Measure(StrEnum):
    """What a rate counts."""

    MONEY_PER_UNIT = "money per unit"
    MINUTES_PER_UNIT = "minutes per unit"
    MINUTES_PER_CUSTOMER = "minutes per customer"
    MONEY_PER_HOUR = "money per hour"
    SHARE = "share, 0 to 1"


SPENT = frozenset({Measure.MONEY_PER_UNIT, Measure.MINUTES_PER_UNIT, Measure.MINUTES_PER_CUSTOMER})
"""What is spent on units and customers."""


@dataclass(frozen=True)
class Rate:
    """A rate: what it is in words, what it counts, what holds until one is given. Without a default it is `derived`
    from the records."""

    name: str
    words: str
    measure: Measure
    default: Decimal | None = Decimal(0)
    derived: Derived | None = None


RATES: Mapping[str, Rate] = {
    rate.name: rate
    for rate in (
        Rate("repair_rate", "an hour of repair", Measure.MONEY_PER_HOUR, None, Derived.ON_ROUTE),
        Rate("sort_minutes", "to sort a unit by test", Measure.MINUTES_PER_UNIT),
        Rate("sort_rate", "an hour of sorting", Measure.MONEY_PER_HOUR, None, Derived.ON_ROUTE),
        Rate("bad_certain", "of the certain units, those that are bad", Measure.SHARE, ONE),
        Rate("bad_possible", "of the possible units, those that are bad", Measure.SHARE, ONE),
        Rate("salvage_minutes", "to take a unit out that is kept", Measure.MINUTES_PER_UNIT),
        Rate("salvage_share", "of the value of a unit that is kept", Measure.SHARE, ONE),
        Rate("disposal", "to dispose of a scrapped unit", Measure.MONEY_PER_UNIT),
        Rate("freight", "freight of a shipped unit, back and out again", Measure.MONEY_PER_UNIT),
        Rate("handling_minutes", "to handle a returned unit", Measure.MINUTES_PER_UNIT),
        Rate("release_minutes", "to handle a unit that is used as it is", Measure.MINUTES_PER_UNIT),
        Rate("handling_rate", "an hour of handling", Measure.MONEY_PER_HOUR, None, Derived.ANYWHERE),
        Rate("customer_minutes", "work for a customer who has some", Measure.MINUTES_PER_CUSTOMER),
        Rate("customer_rate", "an hour of work for customers", Measure.MONEY_PER_HOUR, None, Derived.ANYWHERE),
        Rate("stock_credited", "of the value of suspect stock, what the supplier takes back", Measure.SHARE),
        Rate("claim_certain", "of what certain units cost, the supplier’s share", Measure.SHARE, ONE),
        Rate("claim_possible", "of what possible units cost, the supplier’s share", Measure.SHARE),
        Rate("normal_spoilage", "spoiled units that are normal, per good unit", Measure.SHARE),
    )
}
"""Every rate by its name."""


class BadRate(Refusal):
    """A containment can't be costed by such a rate."""

    code = "bad-rate"
    kind = Kind.UNREADABLE
    action = "Give an amount or minutes of 0 or more, or a share from 0 to 1."


def check_rate(name: str, value: Decimal) -> None:
    """Refuse with BadRate a name that is none, what is negative, no number or finer than a millionth, a share above
    one."""
    rate = RATES.get(name)
    if rate is None:
        raise BadRate(f"“{name[:40]}” is no rate.", action=f"The rates are: {', '.join(RATES)}.")
    if not value.is_finite() or not 0 <= value < MOST or round(value, PLACES) != value:
        raise BadRate(f"“{rate.words}” can’t be {value}.")
    if rate.measure == Measure.SHARE and value > 1:
        raise BadRate(f"“{rate.words}” is a share, and {value} is more than all.", action="Write 0.25 for a quarter.")


@dataclass(frozen=True)
class Rates:
    """The rates of one containment: those `given`, by name; the others hold by default. Refuses with BadRate."""

    given: Mapping[str, Decimal] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, value in self.given.items():
            check_rate(name, value)

    def find(self, name: str) -> Decimal | None:
        """As given, or by default; None where it is derived from the records."""
        return self.given.get(name, RATES[name].default)

    @property
    def unset(self) -> list[Rate]:
        """Those for work, freight and disposal that are 0 only because nobody gave them."""
        return [rate for rate in RATES.values() if rate.measure in SPENT and rate.name not in self.given]

    def __getitem__(self, name: str) -> Decimal:
        """One that is not derived."""
        value = self.find(name)
        assert value is not None, name
        return value


def rates_of(containment: Containment) -> Rates:
    """The rates that hold for a containment now."""
    given = containment.rates.filter(superseded=None).values_list("name", "value")
    return Rates(dict(given))
