"""What was loaded on the feeds of the invented plant, and the spans that follow from it."""

from __future__ import annotations

import random
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from trace.management.benchmark.plan import SECOND, FeedPlan, Line
from trace.material.facts import Record, SpanFacts
from trace.material.rules import reckon

BLURRED, SPLICED, SPLIT = 0.03, 0.05, 0.05
"""Shares of changes whose moment is not known, of changes by splicing, and of reels split from another container."""
BLUR = 5
LEAD, TOLERANCE = 12, 3


@dataclass(frozen=True)
class Box:
    """A container; `source` is the one it was split from, at `received`."""

    id: int
    feed: int
    lot: int
    received: int
    source: int | None = None


class Supply:
    """Lots, containers, feed records and spans of every feed."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.boxes: list[Box] = []
        self.lots: list[tuple[int, int]] = []
        """(feed, when it was received); a lot's id is its place here, from 1."""
        self.bags: dict[int, int] = {}
        """Lot id → the container that repairs are made from."""
        self.records: dict[int, list[Record]] = {}
        self.spans: dict[int, list[SpanFacts]] = {}
        self.reels: dict[int, list[Box]] = {}
        chance = random.Random(f"{line.seed} supply")
        for plan in line.feeds:
            self.reels[plan.id] = list(self._reels(plan, chance))
            self.records[plan.id] = list(self._changes(plan, chance))
            self.spans[plan.id] = list(self.reckon_groups(plan))

    def _box(self, plan: FeedPlan, received: int, source: int | None = None) -> Box:
        box = Box(len(self.boxes) + 1, plan.id, len(self.lots), received, source)
        self.boxes.append(box)
        return box

    def _reels(self, plan: FeedPlan, chance: random.Random) -> Iterator[Box]:
        stock: Box | None = None
        for number, board in enumerate(range(0, self.line.boards, plan.reel)):
            received = self.line.moment(board, -86_400)
            if number % plan.reels_per_lot == 0:
                self.lots.append((plan.id, received))
                self.bags[len(self.lots)] = self._box(plan, received).id
                stock = None
            if chance.random() < SPLIT:
                stock = stock or self._box(plan, received)
                yield self._box(plan, received + 3600 * SECOND, stock.id)
            else:
                yield self._box(plan, received)

    def _changes(self, plan: FeedPlan, chance: random.Random) -> Iterator[Record]:
        first_id = sum(map(len, self.records.values())) + 1
        for number, reel in enumerate(self.reels[plan.id]):
            board = number * plan.reel
            position = self.line.change_position(plan.station, board)
            draw = chance.random()
            act, first, last, lead, tolerance = "load", position, position, 0, 0
            if number and draw < BLURRED:
                first, last = (self.line.change_position(plan.station, board + by) for by in (-BLUR, BLUR))
            elif number and draw < BLURRED + SPLICED and board + 400 < self.line.boards:
                act, lead, tolerance = "splice", LEAD, TOLERANCE
            happened = self.line.moment(board + BLUR if first < last else board, -3)
            yield Record(first_id + number, act, reel.id, first, last, lead, tolerance, happened=happened)

    def reckon_groups(self, plan: FeedPlan) -> Iterator[SpanFacts]:
        """The spans of a feed. A load ends whatever was on, so each stretch from one load to the next can be
        reckoned by itself, with the record before it: what `reckon` gives of all records, in linear time."""
        records = self.records[plan.id]
        loads = [i for i, record in enumerate(records) if record.act == "load"]
        on_clock = plan.station == 0
        count = len(plan.designators)
        for begin, after in pairwise([*loads, len(records)]):
            group = records[begin:after]
            draws = {
                draw
                for record in group
                if record.act == "splice"
                for draw in self.line.draws_around(plan.station, (record.id - records[0].id) * plan.reel, count)
            }
            mine = {record.container for record in group} | ({None} if begin == 0 else set())
            stretch = records[max(begin - 1, 0) : after + 1]
            for span in reckon(stretch, sorted(draws, key=lambda d: (d.first, d.last)), on_clock=on_clock).spans:
                if span.container in mine:
                    yield span

    # What each board has: for those that keep a row or an edge per placed part -------------------------------------

    def pieces(self, plan: FeedPlan) -> list[tuple[int, tuple[int, ...]]]:
        """(position from which, containers that the feed may give from there), in order."""
        spans = self.spans[plan.id]
        edges = sorted({edge for span in spans for edge in (span.first, span.end)})
        pieces, active, waiting = [], [], sorted(spans, key=lambda s: s.first, reverse=True)
        for edge in edges:
            while waiting and waiting[-1].first <= edge:
                active.append(waiting.pop())
            active = [span for span in active if span.end > edge]
            pieces.append((edge, tuple(sorted({span.container or 0 for span in active}))))
        return pieces

    def runs(self, plan: FeedPlan) -> Iterator[tuple[int, int, tuple[int, ...]]]:
        """(first board, last board, containers that each of them may have from this feed): 0 is unknown."""
        line, pieces = self.line, self.pieces(plan)
        starts = [start for start, _ in pieces]
        special: dict[int, tuple[int, ...]] = {}
        for start in starts[1:]:
            around = line.nominal(plan.station, start)
            for board in {*line.odd_around(plan.station, start), around} - special.keys():
                if board < line.boards:
                    first, last = line.range_of(plan.station, board)
                    met = pieces[max(bisect_right(starts, first) - 1, 0) : bisect_right(starts, last)]
                    special[board] = tuple(sorted({box for _, boxes in met for box in boxes}))
        order = sorted(special)
        bounds = [line.nominal(plan.station, start) for start in starts[1:]]
        for (_, boxes), begin, end in zip(pieces, [0, *bounds], [*bounds, line.boards], strict=True):
            at = begin
            for board in order[bisect_left(order, begin) : bisect_left(order, end)]:
                if board > at:
                    yield at, board - 1, boxes
                yield board, board, special[board]
                at = board + 1
            if end > at:
                yield at, end - 1, boxes
