"""What every deed of a random history needs; see world.py."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from tests.factories import moment, ticks
from tests.genealogy.feedlog import Act, FeedLog
from tests.genealogy.oracle import Oracle
from tests.genealogy.plantlog import Box, Log
from tests.genealogy.shop import Shop
from trace.material.models import Feed, SetUp, Tape

INSERTION = ["GATED", "ONE", "LOOSE", "COUNT"]


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
        self.sightings: dict[str, list[int]] = {}
        self.done: list[str] = []

    def do(self, operation: Any, minute: float | None = None, **arguments: Any) -> Any:
        return operation(by=self.shop.ann, at=moment(self.minute if minute is None else minute), **arguments)

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
        if self.log.feeds[feed].on_clock:
            first = self.now if exact else ticks(max(self.minute - width, 1))
            return (None if exact else (first, self.now)), first, self.now
        first = self.cycle if exact else max(self.cycle - width, 0)
        return (first, self.cycle), first, self.cycle

    def act(self, feed: str, kind: str, container: str | None, first: int, last: int, **details: Any) -> None:
        log = self.log.feeds[feed]
        log.acts.append(Act(self.number, kind, container, first, last, self.now, **details))

    def make(self, key: str, part: str, sources: list[tuple], lots: set[str | None]) -> None:
        """A new container with these sources; a lot of the plant's, unless all is of one lot."""
        lot = lots.pop() if len(lots) == 1 else None
        if lot is None:
            lot = f"{key}-LOT"
            self.log.plant_lots.add(lot)
        self.log.boxes[key] = Box(part, lot, False, self.now, fills=[(self.now, source) for source in sources])

    def look(self, feed: str) -> FeedLog:
        """A feed with what was drawn from it, as the oracle sees it now."""
        log = deepcopy(self.log)
        Oracle(log)
        return log.feeds[feed]
