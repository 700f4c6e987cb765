"""What the invented plant looks like: stations, feeds, and when every board came by. All of it is invented.

One line places 150 parts a board: 120 from 64 feeds of a station that goes by the clock, 30 from 16 feeds of a
machine that counts its cycles; then a test. A board comes every half minute.
"""

from __future__ import annotations

import random
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

from trace.core.clock import to_ticks
from trace.material.facts import Draw

SECOND = 1_000_000
TAKT, WORK = 30 * SECOND, 24 * SECOND
BEFORE = 3 * SECOND
"""A change is made in the pause between two boards, this much before the next."""
PLACE, INSERT, TEST, FINAL = range(4)
STATIONS = ("PLACE", "INSERT", "TEST", "FINAL")
FEEDS = {PLACE: (64, 120), INSERT: (16, 30)}
"""Feeds of a station, and the designators that they serve together."""
LONG, UNREAD = 0.03, 0.01
"""Shares of passes with a long range: waiting inside for hours, or the cycle count not read."""
LONGEST = 8 * 3600 * SECOND
SLIP = 20


@dataclass(frozen=True)
class FeedPlan:
    """A feed: its designators, how many boards a reel lasts and how many reels a lot has."""

    id: int
    station: int
    designators: tuple[str, ...]
    reel: int
    reels_per_lot: int


class Line:
    """The feeds, and the range of positions of each board's passes. Boards are numbered from 0."""

    def __init__(self, boards: int, seed: int) -> None:
        self.boards, self.seed = boards, seed
        self.start = to_ticks(datetime(2025, 1, 6, 6, 0, tzinfo=UTC))
        chance = random.Random(f"{seed} ranges")
        self.long = {i: chance.randrange(3600 * SECOND, LONGEST) for i in range(boards) if chance.random() < LONG}
        self.unread = {i for i in range(boards) if chance.random() < UNREAD}
        self.odd = {PLACE: sorted(self.long), INSERT: sorted(self.unread)}

    @cached_property
    def feeds(self) -> list[FeedPlan]:
        chance = random.Random(f"{self.seed} feeds")
        plans: list[FeedPlan] = []
        names = iter(range(1, 1000))
        for station, (feeds, designators) in FEEDS.items():
            counts = [1] * feeds
            for _ in range(designators - feeds):
                counts[chance.randrange(3 if station == PLACE else 0, feeds)] += 1
            for count in counts:
                reel = self._cut(chance.randrange(2_000, 10_000) // count)
                served = tuple(f"R{next(names)}" for _ in range(count))
                plans.append(FeedPlan(len(plans) + 1, station, served, reel, chance.randint(2, 6)))
        plans[0] = self._special(plans[0], self._cut(2_500), min(10_000, self.boards // 8))
        plans[1] = self._special(plans[1], self._cut(5_000), min(150_000, self.boards * 15 // 100))
        plans[2] = self._special(plans[2], self._cut(2_500), self._cut(2_500))
        return plans

    def _cut(self, reel: int) -> int:
        return max(min(reel, self.boards // 8), 12)

    def _special(self, plan: FeedPlan, reel: int, lot: int) -> FeedPlan:
        return FeedPlan(plan.id, plan.station, plan.designators, reel, max(lot // reel, 1))

    def moment(self, board: int, seconds: int = 0) -> int:
        """A moment so many seconds after a board was due at the first station."""
        return self.start + board * TAKT + seconds * SECOND

    def enter(self, board: int) -> int:
        """When a board went into the first station."""
        return self.moment(board) - self.long.get(board, 0)

    def range_of(self, station: int, board: int) -> tuple[int, int]:
        """(first, last) of a board's pass on the station's axis."""
        if station == PLACE:
            return self.enter(board), self.moment(board) + WORK
        if board in self.unread:
            return max(board - SLIP, 0), board + SLIP
        return board, board

    def change_position(self, station: int, board: int) -> int:
        """Where a change just before a board lies on the station's axis."""
        if board == 0:
            return self.start - LONGEST - 3600 * SECOND if station == PLACE else 0
        return self.moment(board) - BEFORE if station == PLACE else board

    def nominal(self, station: int, position: int) -> int:
        """The first board that draws at this position or later, but for those with a long range."""
        board = position if station == INSERT else -((self.start - position + WORK) // TAKT)
        return min(max(board, 0), self.boards)

    def draws_around(self, station: int, board: int, count: int) -> list[Draw]:
        """Every draw that can move the ends of a splice before this board."""
        reach = LONGEST // TAKT + SLIP + 1
        nearby = range(max(board - reach, 0), min(board + reach + 400, self.boards))
        return [Draw(*self.range_of(station, i), count) for i in nearby]

    def odd_around(self, station: int, position: int) -> list[int]:
        """The boards whose long range may reach across a position."""
        board, odd = self.nominal(station, position), self.odd[station]
        low, high = bisect_left(odd, board - SLIP - 1), bisect_right(odd, board + LONGEST // TAKT + SLIP + 1)
        return odd[low:high]
