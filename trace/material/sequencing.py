"""What a sequenced tape needs before it is built, and what may not stay on it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from trace.core.errors import Refusal
from trace.material.facts import NONE, Left


class PlanRefused(Refusal):
    """A tape can't be planned as asked."""

    code = "plan-refused"
    action = "Check the board's placements and what the sequencer has."


@dataclass(frozen=True)
class Offer:
    """A container that may be loaded, and how many parts are at least left in it; None where nobody counted."""

    key: str
    left: int | None
    expiry: date | None = None


@dataclass(frozen=True)
class Load:
    """A container on a head from board set `first` on; `left` parts of it at least, None where nobody counted."""

    container: str
    first: int
    left: int | None


@dataclass(frozen=True)
class HeadPlan:
    """One dispensing head: what it serves, from which containers in order, and how many parts are `short`.

    After a container that nobody counted the plan knows no change: `counted` says whether each was.
    """

    name: str
    distance: int
    part: str
    designators: tuple[str, ...]
    wanted: int
    loads: tuple[Load, ...]
    short: int

    @property
    def counted(self) -> bool:
        return all(load.left is not None for load in self.loads)


@dataclass(frozen=True)
class TapePlan:
    """How a tape is to be built: its designators in link order, and each head's containers."""

    sequence: tuple[str, ...]
    board_sets: int
    heads: tuple[HeadPlan, ...]

    @property
    def changes(self) -> list[tuple[int, HeadPlan, Load]]:
        """Every container after a head's first, by the board set at which it is expected."""
        later = ((load.first, head, load) for head in self.heads for load in head.loads[1:])
        return sorted(later, key=lambda change: (change[0], change[1].distance))

    @property
    def shortages(self) -> list[HeadPlan]:
        return [head for head in self.heads if head.short]

    def as_heads(self) -> dict[str, tuple[int, tuple[str, ...]]]:
        """The heads as `start_tape` takes them."""
        return {head.name: (head.distance, head.designators) for head in self.heads}


def plan_tape(
    *,
    order: Sequence[tuple[str, str]],
    board_sets: int,
    offers: Mapping[str, Sequence[Offer]],
    heads: int,
    spacing: int,
) -> TapePlan:
    """The plan of a tape for so many board sets of an insertion order of (designator, part).

    Each part has one head; heads stand `spacing` links apart, the first of them that far from the reference, in the
    order in which their parts are inserted. Containers are used in the order in which they are offered. Refuses with
    PlanRefused an order that is empty, more parts than there are heads, and counts that can't be.
    """
    if not order:
        raise PlanRefused(
            "Nothing is inserted from a tape here.", action="Choose a step that fills placed designators."
        )
    if board_sets < 1 or spacing < 0 or heads < 1:
        raise PlanRefused("A tape has one board set or more, from one head or more.", action="Enter whole numbers.")
    served: dict[str, list[str]] = {}
    for designator, part in order:
        served.setdefault(part, []).append(designator)
    if len(served) > heads:
        raise PlanRefused(
            f"The order needs {len(served)} parts, and the sequencer has {heads} heads.",
            action="Split the order over two tapes, or count the heads again.",
        )
    planned = []
    for number, (part, designators) in enumerate(served.items(), 1):
        wanted = board_sets * len(designators)
        loads, short = plan_loads(len(designators), wanted, offers.get(part, ()))
        planned.append(HeadPlan(f"H{number:02}", number * spacing, part, tuple(designators), wanted, loads, short))
    return TapePlan(tuple(designator for designator, _ in order), board_sets, tuple(planned))


def plan_loads(places: int, wanted: int, offers: Iterable[Offer]) -> tuple[tuple[Load, ...], int]:
    """Which containers a head needs for so many parts, `places` of them to a board set, and how many lack."""
    loads: list[Load] = []
    given = 0
    for offer in offers:
        if given >= wanted:
            break
        if offer.left == 0:
            continue
        loads.append(Load(offer.key, given // places, offer.left))
        if offer.left is None:
            return tuple(loads), 0
        given += offer.left
    return tuple(loads), max(wanted - given, 0)


# What may not stay on a tape ---------------------------------------------------------------------------------------


def runs_of_empties(sets: Mapping[int, Sequence[str]], served: Sequence[str]) -> bool:
    """Whether two components that a head gives one after the other are absent.

    `sets`: the designators found empty per board set; `served`: the head's designators in link order. Common practice
    for taped components: no two or more consecutive ones may be missing (EIA RS-296-E as makers print it: "no
    consecutive capacitors may be absent"; Diodes Inc. AP02008: "in no case shall there be two or more consecutive
    components missing from any reel").
    """
    given = sorted(board_set * len(served) + served.index(name) for board_set, names in sets.items() for name in names)
    return any(later - earlier == 1 for earlier, later in zip(given, given[1:], strict=False))


MOST_EMPTY = Decimal("0.001")
"""The share of a reel's places below which empties must stay, over all of it (EIA RS-296-E as makers print it)."""


def too_many_empty(empty: int, places: int) -> bool:
    """Whether the empties of a reel are no longer below their share of its places."""
    return empty >= places * MOST_EMPTY and empty > 0


@dataclass(frozen=True)
class Taping:
    """A way to tape components: the pitch from one to the next and its tolerance, millimetres; `cumulative`: by how
    much so many pitches (`over`) may be off together."""

    words: str
    pitch: Decimal
    tolerance: Decimal
    cumulative: Decimal | None = None
    over: int = 20


TAPINGS: Mapping[str, Taping] = {
    "radial": Taping("radial, 12.7 mm", Decimal("12.7"), Decimal("1.0"), Decimal("1.0")),
    "axial-10": Taping("axial, 10 mm", Decimal("10.0"), Decimal("0.5")),
    "axial-15": Taping("axial, 15 mm", Decimal("15.0"), Decimal("0.5")),
}
"""Common practice as makers print it: radial EIA-468 and IEC 60286-2, axial EIA RS-296-E and IEC 60286-1."""


def pitch_limits(taping: Taping, pitches: int) -> tuple[Decimal, Decimal]:
    """Between which lengths so many pitches must lie: each within its tolerance, and together within the cumulative
    one, which is stated for `over` pitches and holds for fewer."""
    length = taping.pitch * pitches
    off = taping.tolerance * pitches
    if taping.cumulative is not None:
        off = min(off, taping.cumulative * -(-pitches // taping.over))
    return length - off, length + off


# How long it lasts ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunOut:
    """For how many boards more a feed gives, at least and at most; `minutes` for the least, None without a pace, and of
    what was scanned together, which has none."""

    least: int
    most: int
    minutes: int | None


def forecast(left: Left, per_board: int, pace: Decimal | None) -> RunOut:
    """When a feed runs out that gives so many parts to a board, at a pace of minutes to a board."""
    least, most = (int(max(parts, NONE) // per_board) for parts in (left.least, left.most))
    return RunOut(least, most, int(least * pace) or None if pace and least else None)
