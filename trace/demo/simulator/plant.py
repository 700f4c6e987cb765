"""The plant at work: its clock, what it tells the system, and what it keeps to itself."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from django.db.models import Model

from trace.core.clock import from_ticks
from trace.core.errors import Refusal
from trace.demo.simulator.layout import BEGIN, INSERTION, LINKS, SECOND, Layout, serves
from trace.demo.simulator.physics import Bath, Cause, Chain, Piece, SimUnit, SupplyPlace, World, clock
from trace.demo.simulator.physics import Box as SimBox
from trace.floor.models import Unit
from trace.material.models import Container, Feed, Tape

T = TypeVar("T")


class Skip(Exception):
    """The deed makes no sense now: nothing was done, or no more than was said so far."""


@dataclass(frozen=True)
class Told:
    """One operation as the plant called it."""

    verb: str
    at: int
    arguments: dict[str, Any]
    result: Any


@dataclass
class SimPlant(World):
    """A plant's truth beside its records. A deed first tells the system, then moves the parts, act by act: where the
    system refuses, nothing moves."""

    layout: Layout = field(kw_only=True)
    now: int = BEGIN
    cycle: int = 0
    boxes: dict[str, SimBox] = field(default_factory=dict)
    places: dict[str, SupplyPlace] = field(default_factory=dict)
    bath: Bath = field(default_factory=Bath)
    chain: Chain | None = None
    built: list[Chain] = field(default_factory=list)
    mounted: Chain | None = None
    tapes: dict[str, Tape] = field(default_factory=dict)
    variants: dict[str, int] = field(default_factory=lambda: dict.fromkeys((*INSERTION, "WAVE", "FINAL"), 0))
    lots: dict[str, str] = field(default_factory=dict)
    delivered: list[Piece] = field(default_factory=list)
    pending: list[Callable[[], None]] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    story: list[str] = field(default_factory=list)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    played: Counter[str] = field(default_factory=Counter)
    hidden: Counter[str] = field(default_factory=Counter)
    records: dict[str, Unit] = field(default_factory=dict)
    feeds: dict[str, Feed] = field(default_factory=dict)
    numbers: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.feeds = dict(self.layout.feeds)
        for key in self.feeds:
            if key != "WAVE-S":
                station, name = key.split("-")
                part = "CAP" if name == "C" else "RES"
                kind = "bin" if station in ("LOOSE", "FINAL") else "slot"
                self.places[key] = SupplyPlace(key, station, part, kind)

    # Time, names, choices ----------------------------------------------------------------------------------------

    def wait(self, chance: random.Random, least: int = 5, most: int = 60) -> None:
        """Some seconds go by, and never none."""
        self.now += chance.randint(least * SECOND, most * SECOND)

    def new_key(self, prefix: str) -> str:
        self.numbers[prefix] += 1
        return f"{prefix}-{self.numbers[prefix]}"

    def pick(self, chance: random.Random, things: Iterable[T]) -> T:
        """One of these, or Skip."""
        ordered = list(things)
        if not ordered:
            raise Skip
        return ordered[chance.randrange(len(ordered))]

    def say(self, text: str) -> None:
        self.story.append(f"{clock(self.now)} {text}")

    # What is told ------------------------------------------------------------------------------------------------

    def tell(self, operation: Callable[..., T], *, at: int | None = None, **arguments: Any) -> T:
        """Call an operation as the plant's people do. A refusal is counted and ends the deed."""
        moment = self.now if at is None else at
        verb = getattr(operation, "__name__", "?")
        words = ", ".join(f"{name} {self._word(value)}" for name, value in arguments.items() if value is not None)
        try:
            result = operation(by=self.layout.person, at=from_ticks(moment), **arguments)
        except Refusal as refusal:
            self.refused[verb, refusal.code] += 1
            self.say(f"   refused: {verb}: {words}: {refusal}")
            raise
        when = "" if moment == self.now else f" as of {clock(moment)}"
        self.say(f"   recorded{when}: {verb}: {words}")
        self.told.append(Told(verb, moment, arguments, result))
        return result

    def try_to(self, operation: Callable[..., Any], **arguments: Any) -> None:
        """What the system is to refuse is asked, and not done."""
        try:
            self.tell(operation, **arguments)
        except Refusal:
            return
        raise AssertionError(f"{getattr(operation, '__name__', operation)} was not refused")

    def _word(self, value: Any) -> str:
        if isinstance(value, Model):
            return str(getattr(value, "key", value))
        if isinstance(value, tuple) and len(value) == 2 and all(isinstance(v, int) for v in value):
            return "–".join(clock(v) if v > 10**12 else str(v) for v in value)
        if isinstance(value, list | tuple):
            return "+".join(self._word(item) for item in value)
        return str(value)

    def container(self, key: str) -> Container:
        return Container.objects.select_related("lot", "part").get(key=key)

    def unit(self, unit: SimUnit) -> Unit:
        return self.records[unit.key]

    # Containers --------------------------------------------------------------------------------------------------

    def stored(self, *parts: str, least: int = 1) -> list[SimBox]:
        """Boxes in the store with so many pieces or more."""
        return [
            box
            for box in self.boxes.values()
            if box.part in parts and box.at is None and not box.gone and len([p for p in box.pieces if p]) >= least
        ]

    def new_box(
        self,
        record: Container,
        pieces: Sequence[Piece | None],
        *,
        kinds: Iterable[str] = (),
        sources: Iterable[SimBox] = (),
    ) -> SimBox:
        """A box with a new label, filled; what was mixed in it got a lot of the plant's."""
        box = self.boxes[record.key] = SimBox(record.key, record.part.key)
        for piece in pieces:
            if piece:
                piece.kinds.update(kinds)
        box.pour_in(pieces)
        box.sources = {key for source in sources for key in (source.key, *source.sources)}
        self.lots[record.key] = record.lot.key
        if record.lot.supplier.is_plant:
            self.plant_lots.setdefault(record.lot.key, set()).add(record.key)
        return box

    # Supply places -----------------------------------------------------------------------------------------------

    def served(self, station: str) -> dict[str, str]:
        """{designator: feed} at a station now."""
        return serves(station, self.variants.get(station, 0))

    def fitting(self, feed: str) -> tuple[str, ...]:
        """Parts that belong at a place; only boards take the substitute."""
        part = self.places[feed].part
        return (part, "RES2") if part == "RES" and feed != "FINAL-R" else (part,)

    def position(self, feed: str, *, inside: bool = False) -> tuple[int, int] | None:
        """Where on its axis a place stands now; `inside`: in the middle of a board, which then may have both."""
        if feed.startswith("COUNT-"):
            return (self.cycle, self.cycle + 1) if inside else (self.cycle + 1, self.cycle + 1)
        if self.chain and feed.startswith("TAPE"):
            distance, designator = self.chain.heads[feed]
            first = self.chain.passed + distance
            board_set = -((LINKS.index(designator) - first) // len(LINKS))
            return max(board_set, 0), max(board_set, 0)
        return None

    def on_clock(self, feed: str) -> bool:
        return not feed.startswith(("COUNT-", "TAPE"))

    def hide(self, kind: str) -> Cause:
        """Something is done and not told (yet)."""
        return Cause(kind, self.now)

    def lead_astray(self, kind: str, *keys: str) -> None:
        """These boxes come or go untold; "" once it was told."""
        for key in keys:
            self.boxes[key].astray = kind

    def astray(self, key: str) -> str:
        """How this box, or one of which it was filled, came or went untold; else ""."""
        return next(filter(None, (self.boxes[each].astray for each in [key, *sorted(self.boxes[key].sources)])), "")

    # Truth -------------------------------------------------------------------------------------------------------

    def remember(self) -> None:
        """Keep what is in every unit now."""
        self.now += SECOND
        self.keep(self.now)
        self.now += SECOND
