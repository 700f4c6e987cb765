"""What things cost, as pure sums of Decimals in the plant's one currency.

Nothing is rounded but once: minutes × rate ÷ 60 may have no last digit, and is kept to TEN_PLACES a
line, so that sums are exact in whatever order they are added. `round_money` is for display only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from functools import cache
from typing import NamedTuple, Self

from trace.genealogy.rules import Sureness

ZERO = Decimal(0)
TEN_PLACES = Decimal("1E-10")

WHOLE = {"BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF"}
WHOLE |= {"XOF", "XPF"}
THOUSANDTHS = {"BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"}
"""Currencies (ISO 4217) whose minor unit is not the hundredth."""


class CostPlace(StrEnum):
    """Where a unit is, as far as cost goes.

    What is found in the plant is internal failure, what was delivered before is external failure; a
    scrapped unit was lost when it was scrapped, and costs nothing more.
    """

    IN_PLANT = "in plant"
    SHIPPED = "shipped"
    SCRAPPED = "scrapped"

    @property
    def failure(self) -> str:
        """The heading in a report of the cost of quality; empty where nothing more is lost."""
        return {"in plant": "internal failure", "shipped": "external failure"}.get(self.value, "")


class Outlay(StrEnum):
    """What the money of a line is for: in a word, as its lines say it, and whether it is time at a rate.

    What is lost with a unit; what is kept of it, a credit; what putting it right takes; what goes with either.
    """

    words: str
    timed: bool

    def __new__(cls, value: str, words: str, timed: bool = False) -> Self:
        member = str.__new__(cls, value)
        member._value_, member.words, member.timed = value, words, timed
        return member

    MATERIAL = "material", "{assembly}, material of {step}"
    LABOUR = "labour", "{assembly}, labour of {step} at {station}", True
    SALVAGED = "material kept", "{assembly}, kept: material of {step}"
    SALVAGED_WORK = "work kept", "{assembly}, kept: labour of {step} at {station}", True
    SALVAGING = "salvaging", "{assembly}, taking it out to be kept", True
    DISPOSAL = "disposal", "{assembly}, disposing of it"
    NEW_PARTS = "new parts", "{part}, new, for {assembly}"
    REPLACING = "replacing", "{part}, replacing it on {assembly}", True
    REDOING = "redoing", "{assembly}, {step} done again at {station}", True
    REPAIR = "repair", "{assembly}, repairs at {station}", True
    RETEST = "retest", "{assembly}, {step} tested again at {station}", True
    TEST = "test", "{assembly}, {step} tested at {station}", True
    SORTING = "sorting", "{assembly}, sorted by test", True
    RELEASING = "releasing", "{assembly}, handling it as it is", True
    FREIGHT = "freight", "{assembly}, freight of what was shipped"
    HANDLING = "handling", "{assembly}, handling what comes back", True
    CUSTOMERS = "customers", "work for customers", True
    STOCK = "stock", "{part}, suspect stock"
    STOCK_CREDITED = "stock taken back", "{part}, suspect stock that the supplier takes back"
    SCRAPPED_PARTS = "parts scrapped", "{part}, scrapped out of containers"


@dataclass(frozen=True, order=True)
class CostGroup:
    """The outermost units that one line is about."""

    sureness: Sureness
    place: CostPlace


@dataclass(frozen=True)
class CostLine:
    """One line of a cost: `quantity` × `price`, or `quantity` × `minutes` × `rate` (per hour) where it is for time.

    `assembly` is the part key of the units; `count` how many of them, of their places, or of whatever the line is
    about are behind it, always whole; `quantity` is in the unit of measure of what is priced, less than nothing for a
    credit. MATERIAL: what `step` puts in (None: what no step does); with `part` as well, of one part of it. LABOUR: of
    `step` at `station`. NEW_PARTS, REPLACING: of `part` at the places that carry the suspect.
    """

    outlay: Outlay
    group: CostGroup
    assembly: str
    count: int
    quantity: Decimal
    price: Decimal = ZERO
    minutes: Decimal = ZERO
    rate: Decimal = ZERO
    step: int | None = None
    station: str = ""
    part: str = ""

    @property
    def amount(self) -> Decimal:
        """In the plant's currency, not rounded to its minor unit."""
        if self.outlay.timed:
            return (self.quantity * self.minutes * self.rate / 60).quantize(TEN_PLACES)
        return self.quantity * self.price

    def __str__(self) -> str:
        if self.outlay in (Outlay.MATERIAL, Outlay.SALVAGED) and self.part:
            material = f"{self.part}, as bought" if self.part == self.assembly else f"{self.part} in {self.assembly}"
            return material + (", kept" if self.outlay == Outlay.SALVAGED else "")
        step = "no step" if self.step is None else f"step {self.step}"
        words = {"assembly": self.assembly, "part": self.part, "step": step, "station": self.station or "no station"}
        return self.outlay.words.format_map(words)


@dataclass(frozen=True)
class Cost:
    """A cost as the lines that make it up; `units` are the outermost units in each kind of place; `unpriced`, in
    sentences, is what no line is about because no record says what it costs."""

    currency: str
    lines: tuple[CostLine, ...]
    units: Mapping[CostPlace, int] = field(default_factory=dict)
    unpriced: tuple[str, ...] = ()

    @property
    def total(self) -> Decimal:
        """The sum of all lines."""
        return self.of()

    @property
    def by_sureness(self) -> dict[Sureness, Decimal]:
        """The total divided by how sure it is that the outermost unit carries the suspect; what was spent on units that
        were cleared since is there where any was."""
        spent = {line.group.sureness for line in self.lines} | {Sureness.CERTAIN, Sureness.POSSIBLE}
        return {sureness: self.of(sureness=sureness) for sureness in Sureness if sureness in spent}

    @property
    def by_place(self) -> dict[CostPlace, Decimal]:
        """The total divided by where the outermost unit is."""
        return {place: self.of(place=place) for place in CostPlace}

    def of(self, *, sureness: Sureness | None = None, place: CostPlace | None = None) -> Decimal:
        """The sum of the lines of one sureness, one kind of place, or both."""
        amounts = (
            line.amount
            for line in self.lines
            if sureness in (None, line.group.sureness) and place in (None, line.group.place)
        )
        return sum(amounts, ZERO)


class Content(NamedTuple):
    """So much of a part at one place of an assembly, or on one line of its bill of material."""

    part: int
    quantity: Decimal


def roll_up(lines: Iterable[tuple[int, int, Decimal]], bought: Mapping[int, Decimal]) -> dict[int, Decimal]:
    """{part: cost of one}: as bought, or where it has lines (parent, child, quantity), of all its parts.

    Every way down counts. What is worked on them is not in it. KeyError for a part without a price.
    """
    children: dict[int, list[tuple[int, Decimal]]] = {}
    for parent, child, quantity in lines:
        children.setdefault(parent, []).append((child, quantity))

    @cache
    def cost(part: int) -> Decimal:
        if part not in children:
            return bought[part]
        return sum((quantity * cost(child) for child, quantity in children[part]), ZERO)

    return {part: cost(part) for part in bought}


def round_money(amount: Decimal, currency: str) -> Decimal:
    """An amount as it is shown: to the minor unit of its currency, halves away from zero."""
    decimals = 0 if currency in WHOLE else 3 if currency in THOUSANDTHS else 2
    return amount.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
