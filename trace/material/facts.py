"""What reckoning a feed works on, and what it finds. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

EMPTIES = frozenset({"load", "found", "clear", "take-off"})
PUTS_ON = frozenset({"load", "found", "splice", "top-up", "charge"})
STAYS = frozenset({"load", "found", "splice", "sighting"})
"""Acts after which the container itself is at the feed; others pour some of it and leave it where it was."""
BY_DRAWS = frozenset({"splice", "top-up"})
"""Acts whose ends follow from counting draws, as those of what was counted do; a feed with neither needs no
draws to be reckoned."""


@dataclass(frozen=True)
class Record:
    """A feed record as reckoning sees it; positions `first..last`, container id or None."""

    id: int
    act: str
    container: int | None
    first: int
    last: int
    lead: int = 0
    tolerance: int = 0
    quantity: int | None = None
    at_least: int | None = None
    left: int | None = None
    cleaned: bool = False
    happened: int = 0
    error: int = 0

    def before(self, later: Record) -> bool:
        """Whether it surely came first; where only one position is shared, as they are told by the clock."""
        told_first = (self.happened, self.id) <= (later.happened, later.id)
        return self.last < later.first or (self.last == later.first and told_first)

    def perhaps_done_before(self, seen: Record) -> bool:
        """Whether it may have been done before something was seen, by positions and by the clock."""
        started, known = (self.happened - self.error, self.id), (seen.happened + seen.error, seen.id)
        return self.last <= seen.last and started < known


@dataclass(frozen=True)
class Draw:
    """`count` parts drawn from the feed somewhere in `first..last`, surely or perhaps."""

    first: int
    last: int
    count: int = 1
    sure: bool = True


@dataclass(frozen=True)
class SpanFacts:
    """One span as reckoned: positions `first <= p < end`, on the feed `since..until` (clock). `oldest`:
    where the oldest begins of those that reach its beginning, itself included."""

    first: int
    end: int
    container: int | None
    sure_from: int | None
    since: int
    until: int
    oldest: int = 0


def with_oldest(spans: Iterable[SpanFacts]) -> Iterator[SpanFacts]:
    """Spans by their beginnings, each with that of the oldest that reaches its own."""
    reaching: deque[SpanFacts] = deque()
    for span in spans:
        reaching.append(span)
        while reaching[0].end <= span.first:
            reaching.popleft()
        yield replace(span, oldest=reaching[0].first)


@dataclass
class Reckoning:
    """Spans of a feed; per take-off record the containers that may be in the remainder; whether
    every end is settled, or some still waits for draws."""

    spans: list[SpanFacts]
    remainders: dict[int, set[int | None]]
    settled: bool


# How much is left -----------------------------------------------------------------------------------------------------

NONE = Decimal(0)


@dataclass(frozen=True)
class Left:
    """Between `least` and `most`: where two containers may have given a part, either may be without it.

    Below nothing, more was used than it held by what was counted: somebody must count.
    """

    least: Decimal
    most: Decimal

    def __add__(self, other: Left) -> Left:
        return Left(self.least + other.least, self.most + other.most)

    def __contains__(self, quantity: Decimal) -> bool:
        return max(self.least, NONE) <= quantity <= max(self.most, NONE)

    @property
    def whole(self) -> int:
        """So many whole parts there are at least."""
        return int(max(self.least, NONE))

    @property
    def overdrawn(self) -> Decimal:
        """How many more were surely used than it held."""
        return max(-self.most, NONE)

    def __str__(self) -> str:
        least, most = (f"{max(number, NONE):f}" for number in (self.least, self.most))
        least, most = (text.rstrip("0").rstrip(".") if "." in text else text for text in (least, most))
        return most if least == most else f"{least} to {most}"


EMPTY = Left(NONE, NONE)
