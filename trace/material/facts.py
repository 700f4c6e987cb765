"""What reckoning a feed works on, and what it finds. Pure."""

from __future__ import annotations

from dataclasses import dataclass

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
        """Whether it surely came first; same exact position: the order of the records."""
        return self.last <= later.first

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
    """One span as reckoned: positions `first <= p < end`, on the feed `since..until` (clock)."""

    first: int
    end: int
    container: int | None
    sure_from: int | None
    since: int
    until: int


@dataclass
class Reckoning:
    """Spans of a feed; per take-off record the containers that may be in the remainder; whether
    every end is settled, or some still waits for draws."""

    spans: list[SpanFacts]
    remainders: dict[int, set[int | None]]
    settled: bool
