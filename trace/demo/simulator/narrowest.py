"""The smallest population that the records of a small plant allow, reasoned draw by draw.

Every uncertain change is tried at every moment of its range that makes a difference, every lead within its tolerance,
every draw within its own range. Written without the system's reckoning. Where it simplifies it says more than is
possible, never less: unknown material may be any container of the part; of three reels spliced in a row the counts are
taken each at its most; where a feed has moments known within an error, counts, or a reel seen away, any draw may
be of whatever was ever on that feed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from math import prod

from trace.core.clock import OPEN
from trace.demo.simulator.evidence import Act, Draw, Event, Evidence, read
from trace.demo.simulator.layout import CHILDREN, PLACES
from trace.demo.simulator.plant import SimPlant

MOST = 3_000
"""The most ways in which one feed's changes are tried."""

Origin = tuple[str | None, int]
"""(container, or None for unknown; the moment up to which what was filled into it counts)."""


class TooMany(Exception):
    """A feed has more uncertain changes than can all be tried."""


@dataclass
class Narrowest:
    """Who may carry what, by the records of one plant alone."""

    plant: SimPlant
    evidence: Evidence = field(init=False)
    _ways: dict[str, list[list[Act]]] = field(default_factory=dict)
    _draws: dict[str, list[Draw]] = field(default_factory=dict)
    _held: dict[tuple[str, str], list[set[Origin]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.evidence = read(self.plant)

    def carriers(self, what: str, key: str) -> set[str]:
        """Units that may carry a lot or a container. TooMany where that can't be tried out."""
        direct = {
            unit
            for unit, designator in self.evidence.events
            if any(self._may_be(origin, designator, what, key) for origin in self._origins(unit, designator))
        }
        found = set(direct)
        while inherited := {parent for unit in found for parent in self._parents(unit)} - found:
            found |= inherited
        return found

    def _parents(self, unit: str) -> set[str]:
        """What a unit is in; where that is not on record, what it may be in: whatever lost its child, and had not
        since when the unit was last surely elsewhere."""
        if home := self.evidence.homes.get(unit):
            return {home[0]}
        seen = max(self._seen(unit), default=0)
        return {
            parent
            for (parent, designator), since in self.evidence.lost.items()
            if CHILDREN[self.plant.units[parent].kind, designator] == self.plant.units[unit].kind and seen < since
        }

    def _seen(self, unit: str) -> Iterator[int]:
        """When a unit was surely somewhere; OPEN if it still is."""
        for at, how in self.evidence.scans[unit]:
            yield OPEN if how in ("packed", "scrapped") else at
        for visit in self.evidence.visits:
            if visit.unit == unit and not visit.void:
                yield max(visit.scanned_in or 0, visit.scanned_out or 0) if visit.outcome else OPEN

    def _origins(self, unit: str, designator: str, before: int = OPEN) -> set[Origin]:
        """What may be in a place: all that nothing surely later displaced."""
        events = [event for event in self.evidence.events[unit, designator] if event.began < before]
        found: set[Origin] = set()
        for event in events:
            if any(o.sure and o is not event and event.ended <= o.began and o.ended > event.began for o in events):
                continue
            if (
                event.container is None
                and not event.draws
                and any(o is not event and o.began >= event.began for o in events)
            ):
                continue
            found |= self._given(event)
        return found

    def _given(self, event: Event) -> set[Origin]:
        if event.container is not None:
            return {(event.container, event.ended)}
        return {origin for draw in event.draws for origin in self.drawn(draw)}

    def _may_be(self, origin: Origin, designator: str, what: str, key: str) -> bool:
        container, moment = origin
        if container is None:
            return self._unknown_may_be(designator, what, key, moment)
        return key in self._reach(container, moment, what, frozenset())

    def _unknown_may_be(self, designator: str, what: str, key: str, moment: int) -> bool:
        part = next(places[designator] for places in PLACES.values() if designator in places)
        parts = {part, "RES2"} if part == "RES" and designator != "R5" else {part}
        labels = [
            label
            for label, box in self.plant.boxes.items()
            if box.part in parts and self.evidence.received[label] <= moment
        ]
        return any(key in self._reach(label, moment, what, frozenset()) for label in labels)

    def _reach(self, container: str, moment: int, what: str, above: frozenset[str]) -> set[str]:
        """Lots, or containers, of which something in a container at a moment may be."""
        fills = [(at, source) for at, source in self.evidence.fills.get(container, []) if at <= moment]
        found = {container} if what == "container" else {self.plant.lots[container]}
        if container in above:
            return found
        for at, source in fills:
            if source[0] == "container":
                origins: set[Origin] = {(source[1], at)}
            elif source[0] == "place":
                origins = self._origins(source[1], source[2], at)
            else:
                origins = set().union(*self._at_take_off(source[1], source[2]))
            for label, when in origins:
                if label is None:
                    part = self.plant.boxes[container].part
                    found |= {
                        k
                        for other, box in self.plant.boxes.items()
                        if box.part == part
                        and other not in above | {container}
                        and self.evidence.received[other] <= when
                        for k in self._reach(other, when, what, above | {container})
                    }
                elif label != container:
                    found |= self._reach(label, when, what, above | {container})
        return found

    # Feeds -------------------------------------------------------------------------------------------------------

    def ways(self, feed: str) -> list[list[Act]]:
        """Every order and place that the acts at a feed may have had, each act at one moment (doubled positions, so
        that there is room between any two)."""
        if feed not in self._ways:
            acts = self.evidence.acts.get(feed, [])
            draws = self._draws[feed] = list(self.evidence.draws(feed))
            told = [(act.first, act.last) for act in acts] + [(draw.first, draw.last) for draw in draws]
            edges = sorted({2 * p for ends in told for p in ends})
            points = sorted({*edges, *((a + b) // 2 for a, b in zip(edges, edges[1:], strict=False))})
            choices = [[p for p in points if 2 * act.first <= p <= 2 * act.last] for act in acts]
            if prod(map(len, choices)) > MOST:
                raise TooMany(feed)
            self._ways[feed] = [_in_order(acts, where) for where in product(*choices)]
        return self._ways[feed]

    def drawn(self, draw: Draw) -> set[Origin]:
        """The containers that one draw may have come from."""
        if draw.feed == "WAVE-S":
            return {(act.container, draw.ended) for act in self._charges(draw)}
        if draw.feed in self.evidence.unclear:
            return self._ever_on(draw.feed)
        found: set[Origin] = set()
        for way in self.ways(draw.feed):
            for start, end, past in _stretches(way):
                first, last = max(2 * draw.first, start), min(2 * draw.last, end)
                if any(2 * draw.first < a.first and 2 * draw.last >= a.unseen_from for a in way if a.kind == "found"):
                    found.add((None, draw.ended))
                if first <= last:
                    found |= {(label, draw.ended) for label in self._in_place(draw.feed, past, first, last, draw)}
        if draw.feed.startswith("TAPE") and (label := self.evidence.by_hand.get((draw.feed, draw.first))):
            return {(label, draw.ended)}
        return found or {(None, draw.ended)}

    def _ever_on(self, feed: str) -> set[Origin]:
        by_hand = {label for (head, _), label in self.evidence.by_hand.items() if head == feed}
        return {(label, OPEN) for label in {act.container for act in self.evidence.acts[feed]} | by_hand | {None}}

    def _charges(self, draw: Draw) -> Iterator[Act]:
        return (act for act in self.evidence.acts[draw.feed] if act.kind == "charge" and act.first <= draw.last)

    def _in_place(
        self, feed: str, past: Sequence[Act], first: int, last: int, draw: Draw | None, *, all_of_it: bool = False
    ) -> set[str | None]:
        """What may be at the pick-up in `first..last` after these acts; `all_of_it`: anywhere in the place."""
        chain: list[tuple[set[str | None], Act | None]] = [({None}, None)]
        counted: Act | None = None
        for number, act in enumerate(past):
            if act.kind == "splice":
                chain.append(({act.container}, act))
                continue
            there: set[str | None] = set() if act.kind in ("take off", "clear") else {act.container}
            if act.kind == "pour":
                there |= self._in_place(feed, past[:number], act.first, act.first, draw, all_of_it=True)
            chain, counted = [(there, None)], act if act.kind == "pour" and act.counted is not None else None
        if counted and len(chain) == 1 and self._least(feed, counted.first, first, draw) >= (counted.counted or 0):
            return {None}
        found: set[str | None] = set()
        for place, (there, splice) in enumerate(chain):
            later = [act for _, act in chain[place + 1 :] if act]
            gone = any(self._least(feed, a.first, first, draw) >= a.lead + a.tolerance for a in later)
            drawn = self._most(feed, splice.first, last, draw) if splice else 0
            if not gone and (splice is None or all_of_it or drawn >= splice.lead - splice.tolerance):
                found |= there
        return found

    def _least(self, feed: str, since: int, until: int, draw: Draw | None) -> int:
        return sum(
            d.sure and d is not draw and 2 * d.first >= since and 2 * d.last < until and not self._hand(d)
            for d in self._draws[feed]
        ) + self._other_sets(feed, since, until, True)

    def _most(self, feed: str, since: int, until: int, draw: Draw | None) -> int:
        return sum(
            d is not draw and 2 * d.last >= since and 2 * d.first <= until and not self._hand(d)
            for d in self._draws[feed]
        ) + self._other_sets(feed, since, until, False)

    def _hand(self, draw: Draw) -> bool:
        return (draw.feed, draw.first) in self.evidence.by_hand

    def _other_sets(self, feed: str, since: int, until: int, surely: bool) -> int:
        """Board sets of a tape that were built and no unit has drawn yet."""
        if not feed.startswith("TAPE"):
            return 0
        drawn = {d.first for d in self._draws[feed]}
        sets = range((since + 1) // 2, (until if surely else until + 2) // 2)
        return sum(k not in drawn and (feed, k) not in self.evidence.by_hand for k in sets)

    def _at_take_off(self, feed: str, taking: Act) -> Iterator[set[Origin]]:
        if feed in self.evidence.unclear:
            yield self._ever_on(feed)
            return
        for way in self.ways(feed):
            place = next(n for n, act in enumerate(way) if act.kind == "take off" and act.at == taking.at)
            past, at = way[:place], way[place].first
            yield {(label, taking.at) for label in self._in_place(feed, past, at, at, None, all_of_it=True)}


def _in_order(acts: Sequence[Act], where: Sequence[int]) -> list[Act]:
    """The acts, each at one moment; a find keeps from when on nobody had seen what was there."""
    placed = [replace(a, first=p, last=p, unseen_from=2 * a.first) for a, p in zip(acts, where, strict=True)]
    return sorted(placed, key=lambda act: (act.first, act.at))


def _stretches(way: Sequence[Act]) -> Iterator[tuple[int, int, Sequence[Act]]]:
    """(first, last, acts before it) of each stretch between two acts."""
    starts = [0, *(act.first for act in way)]
    ends = [*(act.first - 1 for act in way), 2 * OPEN]
    for number, (start, end) in enumerate(zip(starts, ends, strict=True)):
        yield start, end, way[:number]
