"""How what is suspect came from its lot into units, and on to where they are: who gave to whom, counted in units."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple

from trace.floor.models import Fitting
from trace.genealogy.forward import Carrier, Part, Population
from trace.genealogy.paths import say_fact
from trace.genealogy.places import Drawn, PlaceJudge, list_places
from trace.genealogy.process import list_facts
from trace.genealogy.rules import Happening, Sureness, split_standing
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.whereabouts import Place
from trace.material.models import Container, Feed, SetUpLine

CHUNK = 2_000


class Stage(IntEnum):
    """What a node is, from left to right."""

    MATERIAL = 0
    SOURCE = 1
    INSIDE = 2
    OUTERMOST = 3
    PLACE = 4


class Node(NamedTuple):
    """One thing of a stage: its kind and key, and what else there is to say of it."""

    stage: Stage
    kind: str
    key: str
    words: str = ""

    def __str__(self) -> str:
        return f"{self.key} {self.words}".strip()


BY_HAND = Node(Stage.SOURCE, "", "fitted by hand")
NAMED = Node(Stage.SOURCE, "", "named itself")
UNKNOWN = Node(Stage.MATERIAL, "", "unknown material")


@dataclass
class Flow:
    """The nodes and arrows, each with the units (ids) behind it: of the last arrows outermost ones, of the others
    those in which the suspect is directly."""

    arrows: dict[tuple[Node, Node], set[int]] = field(default_factory=lambda: defaultdict(set))

    @property
    def nodes(self) -> dict[Node, set[int]]:
        """{node: the units that came through it}: of a place those that came there, of another those that left it."""
        found: dict[Node, set[int]] = defaultdict(set)
        for (one, other), units in self.arrows.items():
            found[one] |= units
            if other.stage == Stage.PLACE:
                found[other] |= units
        return dict(found)

    def gather(self, most: int) -> Flow:
        """The same with at most so many nodes of a stage: those with the fewest units as one."""
        by_stage: dict[Stage, list[tuple[int, Node]]] = defaultdict(list)
        for node, units in self.nodes.items():
            by_stage[node.stage].append((-len(units), node))
        into: dict[Node, Node] = {}
        for stage, found in by_stage.items():
            rest = [node for _, node in sorted(found)[most - 1 :]]
            if len(rest) > 1:
                into |= dict.fromkeys(rest, Node(stage, "", f"and {len(rest)} more"))
        gathered = Flow()
        for (one, other), units in self.arrows.items():
            gathered.arrows[into.get(one, one), into.get(other, other)] |= units
        return gathered


def trace_flow(population: Population) -> Flow:
    """The way of a population's suspect, of what carries it still."""
    carrying = {c.unit: c for c in population.carriers if c.sureness != Sureness.CLEARED}
    outermost = {c.key: c for c in carrying.values() if c.key == c.top}
    flow = Flow()
    direct = [carrier for carrier in carrying.values() if carrier.direct]
    sources = _find_sources([carrier.unit for carrier in direct], population)
    for carrier in direct:
        top = outermost.get(carrier.top, carrier)
        product = Node(Stage.OUTERMOST, "part", top.part)
        into = product
        if top is not carrier:
            into = Node(Stage.INSIDE, "part", carrier.part)
            flow.arrows[into, product].add(carrier.unit)
        for material, source in sources.get(carrier.unit, ()):
            flow.arrows[source, into].add(carrier.unit)
            if material:
                flow.arrows[material, source].add(carrier.unit)
    for top in outermost.values():
        flow.arrows[Node(Stage.OUTERMOST, "part", top.part), _place_of(top)].add(top.unit)
    return flow


def _place_of(top: Carrier) -> Node:
    where = top.where
    if where.kind == Place.SHIPPED:
        return Node(Stage.PLACE, "customer", where.customer, where.customer_name)
    return Node(Stage.PLACE, "place", where.kind.value)


Way = tuple[Node | None, Node]
"""The material, where it is one, and what gave it to a unit."""


def _find_sources(units: list[int], population: Population) -> Mapping[int, set[Way]]:
    """{unit: the ways by which the suspect came into a place of its own}."""
    found: dict[int, set[Way]] = defaultdict(set)
    parts = population.parts or (Part(population.suspicion, population.evidence),)
    judges = [
        (PlaceJudge(part.evidence), _name_lots(part.evidence.suspects), _name_feeds(part.evidence.verdicts))
        for part in parts
    ]
    served = _list_served({feed for part in parts for feed, one in part.evidence.verdicts.items() if one.possible})
    for start in range(0, len(units), CHUNK):
        chunk = units[start : start + CHUNK]
        fitted = Fitting.objects.filter(unit__in=chunk, superseded=None).values_list("designator", flat=True)
        for unit, places in list_places(chunk, population.at, served | set(fitted.distinct())).items():
            for happening in (one for happenings in places.values() for one in split_standing(happenings)[0]):
                for judge, lots, feeds in judges:
                    if judge(happening)[0] is not None:
                        found[unit].update(_ways(happening, judge, lots, feeds))
    for part in parts:
        _add_facts(found, part.suspicion, population.at)
    return found


def _list_served(feeds: Collection[int]) -> set[str]:
    """The designators that any of these feeds serves under some set-up. What others drew is nothing of theirs."""
    return set(SetUpLine.objects.filter(feed__in=feeds).values_list("designator", flat=True).distinct())


def _add_facts(found: dict[int, set[Way]], suspicion: Suspicion, at: int) -> None:
    """What selected units by what was done or found, not by material."""
    named: dict[object, Node] = {}
    for fact in list_facts(suspicion, at):
        if isinstance(fact.by, int):
            named[fact.by] = NAMED
        elif fact.by not in named:
            step = say_fact(fact)
            named[fact.by] = Node(Stage.SOURCE, step.kind, step.key)
        found[fact.unit].add((None, named[fact.by]))


def _ways(
    happening: Happening, judge: PlaceJudge, lots: Mapping[int, Node], feeds: Mapping[int, Node]
) -> Iterator[Way]:
    content = happening.content
    if not isinstance(content, Drawn):
        yield lots.get(getattr(content, "container", None) or 0, UNKNOWN), BY_HAND
        return
    for source in content.sources:
        if judge.finds(source):
            for material in {lots[pk] for pk in source.containers if pk and pk in lots} or {UNKNOWN}:
                yield material, feeds[source.feed]


def _name_lots(containers: Iterable[int]) -> dict[int, Node]:
    rows = Container.objects.filter(pk__in=containers).values_list("pk", "lot__key", "part__key")
    return {pk: Node(Stage.MATERIAL, "lot", lot, part) for pk, lot, part in rows}


def _name_feeds(feeds: Iterable[int]) -> dict[int, Node]:
    rows = Feed.objects.filter(pk__in=feeds).values_list("pk", "key", "axis__station__key", "axis__tape__key")
    return {
        pk: Node(Stage.SOURCE, "feed", key, f"at {station}" if station else f"on {tape}")
        for pk, key, station, tape in rows
    }
