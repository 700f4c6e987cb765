"""The genealogy once more, part by part, from the words and rules of DEVELOPERS.md alone: a log of what was done, and
what follows from it. It knows no span, no interval and no SQL: each draw asks, position by position, what may have been
there; networkx does the rest. Slow, and meant to be read.

Moments and positions are whole numbers; of a station on the clock they are the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import networkx as nx

from tests.genealogy.feedlog import OPEN, Part
from tests.genealogy.plantlog import CHILDREN, Fit, Log

Node = tuple


@dataclass(eq=False)
class Event:
    """A draw or a fitting at one designator, some time in `began..ended`."""

    node: Node
    began: int
    ended: int
    sure: bool
    what: tuple
    until: int = OPEN

    @property
    def nothing(self) -> bool:
        return self.what[0] == "nothing"


class Oracle:
    """What follows from a log. Everything is worked out once; suspicions are then asked one by one."""

    def __init__(self, log: Log) -> None:
        self.log = log
        self.visits = [(visit, log.range_of(visit), list(log.draws_of(visit))) for visit in log.visits]
        for key, feed in log.feeds.items():
            feed.parts = list(self._drawn_from(key)) if not feed.board_sets else feed.board_set_parts()
        self.events = self._list_events()
        self.graph = self._draw_graph()

    def _drawn_from(self, feed: str) -> Iterator[Part]:
        for _, _, draws in self.visits:
            for _, pieces, surely in draws:
                here = [(first, last) for key, first, last in pieces if key == feed]
                if here:
                    yield Part(here[0][0], here[-1][1], surely and len(here) == len(pieces))
        for fits in self.log.fits.values():
            yield from (Part(fit.since, fit.since, True) for fit in fits if fit.what == ("feed", feed))

    def _list_events(self) -> dict[tuple[str, str], list[Event]]:
        events: dict[tuple[str, str], list[Event]] = {}
        for number, (visit, (began, ended), draws) in enumerate(self.visits):
            for designator, pieces, sure in draws:
                node = ("draw", visit.unit, designator, number)
                event = Event(node, began, ended, sure, ("feed", pieces))
                events.setdefault((visit.unit, designator), []).append(event)
        for (unit, designator), fits in self.log.fits.items():
            for number, fit in enumerate(fits):
                began, ended = fit.since - fit.error, fit.since + fit.error
                what = ("feed", [(fit.what[1], began, ended)]) if fit.what[0] == "feed" else fit.what
                event = Event(("fit", unit, designator, number), began, ended, fit.surely, what, fit.until)
                events.setdefault((unit, designator), []).append(event)
        return events

    # The graph ---------------------------------------------------------------------------------------------------

    def _draw_graph(self) -> nx.DiGraph:
        """lot → container, filled so often → … → event; an edge for each way in which material may have gone."""
        graph = nx.DiGraph()
        for key, box in self.log.boxes.items():
            if box.own:
                graph.add_edge(("lot", box.lot), ("box", key, 0))
            for k, (first, source, last) in enumerate(box.fills, 1):
                graph.add_edge(("box", key, k - 1), ("box", key, k))
                graph.add_edges_from((node, ("box", key, k)) for node in self.sources(key, source, first, last))
        for event in self.all_events():
            graph.add_node(event.node)
            graph.add_edges_from((node, event.node) for node in self._given(event))
        for unknown in [node for node in graph if node[0] == "unknown"]:
            graph.add_edges_from((node, unknown) for node in self._may_be(*unknown[1:]))
        return graph

    def all_events(self) -> Iterator[Event]:
        return (event for there in self.events.values() for event in there)

    def sources(self, result: str, source: tuple, first: int, last: int) -> set[Node]:
        """What one filling of a container, between two moments, may have brought into it."""
        kind, *what = source
        if kind == "box":
            return {("box", what[0], self.log.boxes[what[0]].epoch(last))}
        if kind == "place":
            stood = [e for e in self.standing_before(what[0], what[1], first, last) if e.what[0] in ("box", "feed")]
            return {event.node for event in stood} or {("nobody knows",)}
        feed, act = what
        left = self.log.feeds[feed].left_at(act) - {result}
        return {node for key in left for node in self.contents(feed, key, first if key is None else last, last)}

    def _given(self, event: Event) -> set[Node]:
        """Contents that may have come to a designator with an event, unknown material included."""
        kind, *what = event.what
        if kind == "box":
            return {("box", what[0], k) for k in self.log.boxes[what[0]].epochs(event.began, event.ended)}
        if kind != "feed":
            return set()
        found: set[Node] = set()
        for key, first, last in what[0]:
            feed = self.log.feeds[key]
            for position in self.looks(key, first, last):
                for candidate in feed.candidates(position):
                    since, until = candidate.since, candidate.until
                    if feed.on_clock:
                        since, until = position - feed.slack, position + feed.slack
                    found |= self.contents(key, candidate.container, since, until, still=not feed.on_clock)
        return found

    def looks(self, feed: str, first: int, last: int) -> list[int]:
        """Positions of a range at which to look: wherever something changes, and the ends."""
        log = self.log.feeds[feed]
        changes = set(log.changes)
        if log.on_clock:
            for key, box in self.log.boxes.items():
                if key in log.containers or None in {c.container for c in log.puts}:
                    changes |= {box.received, *(moment for moment, _, _ in box.fills)}
                    changes |= set() if box.gone is None else {box.gone, box.gone + 1}
            if None in {c.container for c in log.puts}:
                changes |= {p for other in self.log.feeds.values() if other.on_clock for p in other.moments}
        return [first, *sorted(p for p in changes if first < p < last), *([last] if last > first else [])]

    def contents(self, feed: str, key: str | None, since: int, until: int, still: bool = False) -> set[Node]:
        """The contents that a container on a feed had between two moments (`still`: it was not filled while there)."""
        if key is None:
            return {("unknown", feed, since, until)}
        return {("box", key, k) for k in self.log.boxes[key].epochs(since, since if still else until)}

    def _may_be(self, feed: str, since: int, until: int) -> set[Node]:
        """Whatever unknown material on a feed may be: any container of a part that belongs there, in the plant then and
        not proved to have been elsewhere."""
        found: set[Node] = set()
        for key, box in self.log.boxes.items():
            if box.part in self.log.feeds[feed].fitting | self.log.feeds[feed].by_hand:
                first, last = max(since, box.received), min(until, OPEN if box.gone is None else box.gone)
                for moment in {first, last} | self._moments(first, last):
                    if first <= moment <= last and not self._proved_elsewhere(key, feed, moment):
                        found |= {("box", key, k) for k in box.epochs(moment, moment)}
        return found

    def _moments(self, first: int, last: int) -> set[int]:
        if first >= last:
            return set()
        moments = {m for box in self.log.boxes.values() for m, _, _ in box.fills}
        for feed in self.log.feeds.values():
            if feed.on_clock:
                moments |= feed.moments
        return {moment for moment in moments if first < moment < last}

    @cached_property
    def poured(self) -> set[str | None]:
        return {a.container for f in self.log.feeds.values() for a in f.acts if a.kind in ("top-up", "charge")}

    def _proved_elsewhere(self, key: str, feed: str, moment: int) -> bool:
        """Whether it was the only one that another feed can have given then; a poured one may be in two places."""
        return key not in self.poured and any(
            other.given_around(moment) == {key}
            for name, other in self.log.feeds.items()
            if name != feed and other.on_clock and other.kind == "slot" and key in other.containers
        )

    # What rules at a designator ----------------------------------------------------------------------------------

    def standing(self, events: Iterable[Event]) -> tuple[list[Event], dict[Event, int]]:
        """(events that may rule, {displaced: since when}): the latest wins, an unsure one displaces none."""
        events = list(events)
        stand, gone = [], {}
        for one in events:
            later = [
                o.began for o in events if o.sure and one.ended <= o.began and o is not one and o.ended > one.began
            ]
            if one.until < OPEN:
                later.append(one.until)
            if later:
                gone[one] = min(later)
            else:
                stand.append(one)
        return stand, gone

    def standing_before(self, unit: str, designator: str, first: int, last: int) -> list[Event]:
        """What may have stood at a designator when it was emptied between two moments."""
        before = []
        for e in self.events.get((unit, designator), []):
            if e.began < last and not (e.nothing and (e.began, e.ended) == (first, last)):
                until = e.until if e.until < last else OPEN
                before.append(Event(e.node, e.began, e.ended, e.sure and e.ended <= first, e.what, until))
        return self.standing(before)[0]

    def first_lots(self, event: Event) -> set[str | None]:
        """The lots (None: unknown) from which an event may have got its part, by all that is on record."""
        lots: set[str | None] = {None} if event.what[0] == "unknown" else set()
        seen, nodes = {event.node}, [event.node]
        for node in nodes:
            if node[0] == "lot":
                lots.add(node[1])
            elif node[0] in ("unknown", "nobody knows"):
                lots.add(None)
            else:
                above = {n for n in self.graph.predecessors(node) if n[:2] != node[:2] or self.graph.in_degree(n)}
                if node[0] == "box" and not above:
                    lots.add(self.log.boxes[node[1]].lot)  # on record there before anything was on record in it
                nodes += above - seen
                seen |= above
        return lots

    # Suspicion ---------------------------------------------------------------------------------------------------

    def suspicion(self, lots: set[str], boxes: set[str]) -> Answer:
        return Answer(self, lots, boxes)


class Answer:
    """One suspicion: what it reaches, and how surely."""

    def __init__(self, oracle: Oracle, lots: set[str], boxes: set[str], spared: set[str] = frozenset()) -> None:
        """`spared` boxes are not suspect, and make nothing so."""
        self.oracle, self.log, self.lots = oracle, oracle.log, lots
        made_here = {k for k, box in self.log.boxes.items() if not box.own and box.lot in lots & self.log.plant_lots}
        self.named = boxes | made_here
        start = {("box", k, 0) for k, box in self.log.boxes.items() if box.own and box.lot in lots}
        start |= {("box", k, n) for k in self.named for n in range(len(self.log.boxes[k].fills) + 1)}
        start = {node for node in start if node[1] not in spared}
        clean = [node for node in oracle.graph if node[0] == "box" and node[1] in spared]
        graph = nx.restricted_view(oracle.graph, clean, []) if clean else oracle.graph
        self.reached = start | {n for s in start if s in graph for n in nx.descendants(graph, s)}
        self._wholly: dict[Node, bool] = {}
        self._status: dict[str, tuple[str | None, list[tuple[int, int]]]] = {}

    def answer(self) -> tuple[set[str], set[str], set[str]]:
        """(certain, possible, cleared)."""
        found = {unit: self.status(unit)[0] for unit in self.log.created}
        certain, possible, cleared = (
            {unit for unit, status in found.items() if status == wanted}
            for wanted in ("certain", "possible", "cleared")
        )
        return certain, possible, cleared

    def wholly(self, node: Node) -> bool:
        """Whether a container, filled so often, holds nothing but what is suspect."""
        if node not in self._wholly:
            self._wholly[node] = False  # what a content is made of is never itself
            _, key, k = node
            box = self.log.boxes[key]
            if key in self.named:
                self._wholly[node] = True
            elif k == 0:
                self._wholly[node] = not box.own or box.lot in self.lots
            else:
                self._wholly[node] = self.wholly(("box", key, k - 1)) and self._source_wholly(key, *box.fills[k - 1])
        return self._wholly[node]

    def _source_wholly(self, result: str, first: int, source: tuple, last: int) -> bool:
        if source[0] == "place":
            return self.place_certain(self.oracle.standing_before(source[1], source[2], first, last))
        sources = self.oracle.sources(result, source, first, last)
        return all(n[0] == "box" and n in self.reached and self.wholly(n) for n in sources)

    def _all_wholly(self, event: Event) -> bool:
        """Whether every candidate of an event is wholly suspect; of a bath, whether some charge that surely was in."""
        if event.what[0] == "feed" and self.log.feeds[event.what[1][0][0]].kind == "bath":
            return all(
                any(
                    all(n in self.reached and self.wholly(n) for n in self.oracle.contents(bath, key, p, p))
                    for key in self.log.feeds[bath].surely_in(p)
                )
                for bath, first, last in event.what[1]
                for p in self.oracle.looks(bath, first, last)
            )
        given = list(self.oracle.graph.predecessors(event.node))
        return bool(given) and all(n[0] == "box" and n in self.reached and self.wholly(n) for n in given)

    def place_certain(self, standing: list[Event]) -> bool:
        whole = all(e.node in self.reached and self._all_wholly(e) for e in standing)
        return whole and any(e.sure for e in standing)

    def status(self, unit: str) -> tuple[str | None, list[tuple[int, int]]]:
        """(certain, possible, cleared or None; the stretches of time in which it carried the suspect)."""
        if unit in self._status:
            return self._status[unit]
        found, carried = self.own(unit)
        for place, fits in self.log.fits.items():
            for fit in fits if place[0] == unit else []:
                for child, inside, surely in self._inside(place, fit):
                    status, stretches = self.status(child)
                    for first, end in [(max(a, c), min(b, d)) for a, b in stretches for c, d in inside]:
                        if first < end and status:
                            found.add("cleared" if end < OPEN else status if surely else "possible")
                            carried.append((first, end))
        best = next((word for word in ("certain", "possible", "cleared") if word in found), None)
        self._status[unit] = best, carried
        return self._status[unit]

    def own(self, unit: str) -> tuple[set[str], list[tuple[int, int]]]:
        """What is to be said of a unit by its own places, and the stretches of time in which they carried."""
        found: set[str] = set()
        carried: list[tuple[int, int]] = []
        for (owner, _), events in self.oracle.events.items():
            if owner != unit:
                continue
            stand, gone = self.oracle.standing(events)
            if any(e.node in self.reached for e in stand):
                found.add("certain" if self.place_certain(stand) else "possible")
            found |= {"cleared" for e in gone if e.node in self.reached}
            carried += [(e.began, gone.get(e, OPEN)) for e in events if e.node in self.reached]
        return found, carried

    def _inside(self, place: tuple[str, str], fit: Fit) -> Iterator[tuple[str, list[tuple[int, int]], bool]]:
        """(unit, when it is or may be in a place, whether surely): the child, or any that may be the unknown one."""
        if fit.what[0] == "child":
            yield fit.what[1], [(fit.first, fit.until)], True
        if fit.what[0] == "unknown":
            for unit in self.log.created:
                if unit[0] == CHILDREN[place[0][0], place[1]]:
                    yield unit, self.log.may_be_there(place, fit, unit), False
