"""What every deed of a random history needs; see world.py."""

from __future__ import annotations

from copy import deepcopy
from datetime import timedelta
from inspect import signature
from typing import Any

from tests.factories import moment, ticks
from tests.genealogy.feedlog import OPEN, STAYS, Act, FeedLog
from tests.genealogy.oracle import Oracle
from tests.genealogy.plantlog import Box, Log
from tests.genealogy.shop import MINUTE, PAPER, PAPER_ERROR, Shop
from trace.material.models import Feed, SetUp, Tape

SETS = 5
"""Board sets on the tape."""

INSERTION = ["GATED", "ONE", "LOOSE", "COUNT", PAPER]


class Skip(Exception):
    """The deed makes no sense now."""


class Deeds:
    """The history so far, and how deeds choose, act and take note."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.log: Log = shop.fresh_log()
        self.minute = 1.0
        self.number = 0
        self.cycle = 1
        self.feeds: dict[str, Feed] = dict(shop.feeds)
        self.tape: tuple[Tape, SetUp] | None = None
        self.heads: dict[str, tuple[int, int]] = {}
        self.chain = 0
        self.next_set = 0
        self.passes: dict[int, Any] = {}
        self.done: list[str] = []
        self.doubt = 0.0
        self.line = self.line_before = 0

    def do(self, operation: Any, minute: float | None = None, **arguments: Any) -> Any:
        """Do it now, or at another minute; the time is known within `doubt` where the operation may be told so. At
        the station with paper everything is a line of its sheet."""
        told = signature(operation).parameters
        place = arguments.get("feed") or arguments.get("station")
        if place and place.key.startswith(PAPER) and "sheet" in told:
            self.doubt, arguments["sheet"] = PAPER_ERROR, "SHEET"
        if self.doubt and "error" in told and arguments.get("position") is None:
            arguments["error"] = timedelta(minutes=self.doubt)
            self.done.append("late")
        else:
            self.doubt = 0
        done = operation(by=self.shop.ann, at=moment(self.minute if minute is None else minute), **arguments)
        if "sheet" in arguments:
            self.line_before, self.line = self.line, self.now
        return done

    @property
    def error(self) -> int:
        return round(self.doubt * MINUTE)

    @property
    def now(self) -> int:
        return ticks(self.minute)

    def pick(self, things: Any, number: int) -> Any:
        things = sorted(things)
        if not things:
            raise Skip
        return things[number % len(things)]

    def box_of(self, parts: set[str], number: int, *, fillable: bool = False) -> str:
        """A container of these parts; `fillable`: not one that was on a feed that does not go by the clock."""
        counted = {key for feed in self.log.feeds.values() if not feed.on_clock for key in feed.containers}
        boxes = {k for k, box in self.log.boxes.items() if box.part in parts and box.gone is None}
        return self.pick(boxes - counted if fillable else boxes, number)

    def feed_like(self, kinds: str, number: int) -> str:
        return self.pick([k for k, log in self.log.feeds.items() if log.kind in kinds.split()], number)

    def where(self, feed: str, exact: bool = True, width: int = 1) -> tuple[tuple[int, int] | None, int, int]:
        """(position to give, first, last): now, or not exactly known."""
        if feed.startswith(PAPER):
            return None, self.now, self.now
        if self.log.feeds[feed].on_clock and exact:
            return None, self.now - self.error, self.now + self.error
        if self.log.feeds[feed].on_clock:
            first = self.now if exact else ticks(max(self.minute - width, 1))
            return (None if exact else (first, self.now)), first, self.now
        first = self.cycle if exact else max(self.cycle - width, 0)
        return (first, self.cycle), first, self.cycle

    def act(self, feed: str, kind: str, container: str | None, first: int, last: int, **details: Any) -> None:
        log = self.log.feeds[feed]
        log.acts.append(Act(self.number, kind, container, first, last, self.now, self.error, **details))

    def make(self, key: str, part: str, sources: list[tuple], lots: set[str | None]) -> None:
        """A new container with these sources; a lot of the plant's, unless all is of one lot."""
        lot = lots.pop() if len(lots) == 1 else None
        if lot is None:
            lot = f"{key}-LOT"
            self.log.plant_lots.add(lot)
        self.log.boxes[key] = Box(part, lot, False, self.now - self.error)
        for source in sources:
            self.log.boxes[key].fill(source, self.now, self.error)

    def left(self, key: str, besides: str = "") -> None:
        """A container was scanned: it had left every other place at which it hung, some time since it was last known
        there, and may have taken along what was with it."""
        for name, log in self.log.feeds.items():
            if name != besides and log.kind in ("slot", "head") and key in log.containers:
                self._left(name, key)

    def _left(self, name: str, key: str) -> None:
        log = self.log.feeds[name]
        done = sorted((a for a in log.acts if a.container == key), key=lambda a: (a.last, a.number))
        known = [a for a in done if a.kind in STAYS]
        put_on = [a for a in done if a.kind != "sighting"]
        if not known or put_on[-1].kind not in STAYS:
            return
        puts = [p for p in self.look(name).puts if p.container == key and p.act and p.end > p.start]
        if log.on_clock:
            last = self.now + self.error
            there = any(p.act.first <= self.now and p.end > self.now for p in puts)
        else:
            last = max(known[-1].last, *self.drawn_until(name))
            there = any((p.end == OPEN or p.until > self.now) and p.end >= last for p in puts)
        if there:
            self.note_left(name, known[-1], last)

    def drawn_until(self, feed: str) -> list[int]:
        """First positions after those drawn so far; a head has given to all board sets."""
        if feed in self.heads:
            return [SETS]
        visits = [v for v in self.log.visits if feed.startswith(v.station) and v.position and not v.void]
        return [0, *(v.position[1] + 1 for v in visits if v.position)]

    def note_left(self, feed: str, known: Act, last: int) -> None:
        log, number = self.log.feeds[feed], self.number + len(self.log.feeds[feed].acts) / 1000
        early, late = min(known.happened - known.error, self.now), self.now + self.error
        middle = (early + late) // 2
        last = max(known.last, last)
        log.acts.append(Act(number, "seen-away", known.container, known.last, last, middle, late - middle))
        assert known.container
        self.log.boxes[known.container].fill(("feed", feed, number), middle, late - middle)
        self.done.append("late")

    def look(self, feed: str) -> FeedLog:
        """A feed with what was drawn from it, as the oracle sees it now."""
        log = deepcopy(self.log)
        Oracle(log)
        return log.feeds[feed]
