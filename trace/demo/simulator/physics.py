"""What is really where: every physical part moves by itself. Nothing here knows of records."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from trace.core.clock import from_ticks


@dataclass
class Cause:
    """Something that the plant did at a moment and told nobody. Once it is found out it is `revealed`; what was only
    put right counts `until` then."""

    kind: str
    at: int
    revealed: bool = False
    until: int | None = None

    def counts(self, at: int) -> bool:
        """Whether it may make an answer as of a moment wrong."""
        return not self.revealed and self.at <= at and (self.until is None or at < self.until)


@dataclass(eq=False)
class Piece:
    """One physical part, or one charge of solder: the lot it was delivered in, every label it lay under since, the
    kinds of disturbance it went through, and the untold causes. `poured`: out of its container, on others."""

    lot: str
    labels: list[str]
    kinds: set[str] = field(default_factory=set)
    causes: list[Cause] = field(default_factory=list)
    poured: bool = False

    @property
    def hidden(self) -> str | None:
        """The kind of an untold cause that put it where it is, if any stayed untold."""
        return next((cause.kind for cause in self.causes if not cause.revealed), None)

    def as_now(self) -> Piece:
        """The piece as it is now, whatever label it comes under later; what is found out later counts."""
        return Piece(self.lot, list(self.labels), self.kinds, self.causes)


@dataclass
class Box:
    """A container: its pieces in their order, None for an empty place; `at` is the supply place it is on. `astray`: the
    kind of disturbance by which it came or went, as long as nobody scanned it since. `sources`: all of which it was
    filled, by their labels."""

    key: str
    part: str
    pieces: list[Piece | None] = field(default_factory=list)
    at: str | None = None
    gone: bool = False
    astray: str = ""
    sources: set[str] = field(default_factory=set)

    def pour_in(self, pieces: Iterable[Piece | None]) -> None:
        for piece in pieces:
            if piece is not None:
                piece.poured = False
                if piece.labels[-1:] != [self.key]:
                    piece.labels.append(self.key)
            self.pieces.append(piece)


@dataclass
class SupplyPlace:
    """A feeder slot, a bin or a dispensing head: a queue, its first piece at the pick-up. `causes` lie in what is
    there now; `untold` are all changes here since the last one that was told."""

    key: str
    station: str
    part: str
    kind: str
    queue: deque[Piece | None] = field(default_factory=deque)
    boxes: list[str] = field(default_factory=list)
    kinds: set[str] = field(default_factory=set)
    causes: list[Cause] = field(default_factory=list)
    untold: list[Cause] = field(default_factory=list)
    given: list[tuple[int, SimUnit]] = field(default_factory=list)

    @property
    def left(self) -> int:
        return sum(piece is not None for piece in self.queue)

    def empty_out(self) -> list[Piece | None]:
        """All that is in it, and it forgets what was done here."""
        rest = list(self.queue)
        self.queue.clear()
        self.boxes, self.kinds, self.causes = [], set(), []
        return rest

    def draw(self) -> Piece | None:
        """The next piece; None where it has run out."""
        while self.queue:
            piece = self.queue.popleft()
            if piece is not None:
                piece.kinds |= self.kinds
                piece.causes += self.causes
                return piece
        return None


@dataclass
class Bath:
    """Molten solder: what share of it each charge is."""

    shares: dict[Piece, float] = field(default_factory=dict)
    kinds: set[str] = field(default_factory=set)

    def charge(self, piece: Piece, amount: float) -> None:
        self.shares[piece] = self.shares.get(piece, 0.0) + amount

    def dump(self, heel: float) -> None:
        """Only this part of it stays; none of it for 0."""
        self.shares = {piece: share * heel for piece, share in self.shares.items() if share * heel > 0}


@dataclass
class Chain:
    """A sequenced tape of so many board sets: `passed` links have gone by the reference, below 0 before its first;
    heads stand upstream of it. `empty`: places found empty and not filled yet, by head; `lacking`: those that nobody
    saw, and why. `next_set` is the next to be drawn, `slip` how far the count of them is off."""

    key: str
    links: list[str]
    heads: dict[str, tuple[int, str]]
    board_sets: int
    passed: int = 0
    stands: bool = True
    cells: dict[tuple[int, str], Piece] = field(default_factory=dict)
    empty: list[tuple[str, tuple[int, str]]] = field(default_factory=list)
    lacking: dict[tuple[int, str], Cause] = field(default_factory=dict)
    next_set: int = 0
    slip: int = 0
    cause: Cause | None = None

    def cell_at(self, head: str) -> tuple[int, str] | None:
        """The board set and designator into which a head drops now, if this link is one of its own."""
        distance, designator = self.heads[head]
        board_set, link = divmod(self.passed + distance, len(self.links))
        mine = self.links[link] == designator and 0 <= board_set < self.board_sets
        return (board_set, designator) if mine else None

    @property
    def counted(self) -> int:
        """The next board set, as the inserter counts."""
        return self.next_set - self.slip


@dataclass(eq=False)
class SimUnit:
    """A unit: what is in its places (several pieces where solder mixed), the units fitted in it, what it still has to
    draw, and where it stands. `causes`: what came, went or was missing untold, by designator; `left`: it left so
    itself."""

    key: str
    kind: str
    places: dict[str, list[Piece]] = field(default_factory=dict)
    children: dict[str, SimUnit] = field(default_factory=dict)
    had: list[SimUnit] = field(default_factory=list)
    step: int = 0
    todo: list[tuple[str, str]] = field(default_factory=list)
    inside: str | None = None
    seen_at: str | None = None
    parent: SimUnit | None = None
    gone: str = ""
    kinds: set[str] = field(default_factory=set)
    causes: dict[str, list[Cause]] = field(default_factory=dict)
    left: Cause | None = None

    def pieces(self) -> Iterable[Piece]:
        """Every piece in it and in its children."""
        for content in self.places.values():
            yield from content
        for child in self.children.values():
            yield from child.pieces()

    def touched(self) -> set[str]:
        """Kinds of disturbance that it, its pieces or what is or was in it went through."""
        found = set(self.kinds).union(*(piece.kinds for piece in self.pieces()))
        return found.union(*(child.touched() for child in self.had))

    def hidden(self, at: int) -> str | None:
        """The kind of an untold cause, up to a moment, why what it or one of its children holds is another child."""
        own = (cause for causes in self.causes.values() for cause in causes if cause.counts(at))
        deeper = (kind for child in self.had if (kind := child.hidden(at)))
        return next((cause.kind for cause in own), None) or next(deeper, None)

    def put_in(self, designator: str, child: SimUnit) -> None:
        self.children[designator] = child
        self.had.append(child)
        child.parent = self

    def take_out(self, designator: str) -> SimUnit:
        child = self.children.pop(designator)
        child.parent = None
        return child


@dataclass(frozen=True)
class Moment:
    """What was in every unit at a moment: the truth to which an answer as of then is held."""

    at: int
    inside: dict[str, tuple[Piece, ...]]


@dataclass
class World:
    """All units as they really are, and as they were at some moments. `plant_lots`: labels of what the plant mixed, by
    the lot that it got."""

    units: dict[str, SimUnit] = field(default_factory=dict)
    moments: list[Moment] = field(default_factory=list)
    plant_lots: dict[str, set[str]] = field(default_factory=dict)

    def keep(self, at: int) -> None:
        """Keep what is in every unit now, at this moment."""
        inside = {unit.key: tuple(piece.as_now() for piece in unit.pieces()) for unit in self.units.values()}
        self.moments.append(Moment(at, inside))

    def carries(self, piece: Piece, what: str, key: str) -> bool:
        """Whether a piece is of a lot, or ever was in a container."""
        if what == "container":
            return key in piece.labels
        return piece.lot == key or not self.plant_lots.get(key, set()).isdisjoint(piece.labels)


def clock(ticks: int) -> str:
    """A moment as a plant's story tells it."""
    return f"{from_ticks(ticks):%H:%M:%S}"
