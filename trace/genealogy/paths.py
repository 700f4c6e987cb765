"""Why this unit is in the population: the path from the suspect to it, as data and in words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from trace.core.clock import OPEN, from_ticks
from trace.core.models import Person
from trace.engineering.equipment import Equipment, Program
from trace.engineering.models import Characteristic, FaultCode, Station
from trace.floor.models import Unit
from trace.genealogy.backward import find_children
from trace.genealogy.forward import Part, Population
from trace.genealogy.places import Drawn, Fitted, PlaceJudge, list_places
from trace.genealogy.process import Fact, list_facts
from trace.genealogy.rules import Happening, Reason, Sureness, split_standing
from trace.genealogy.suspicion import Failed, Faulty, Of, Run, Window
from trace.material.models import Axis, Container, Feed


@dataclass(frozen=True)
class PathStep:
    """One step of a path: the kind and key of a thing, and what it did, as the rest of a sentence."""

    kind: str
    key: str
    words: str


@dataclass(frozen=True)
class Path:
    """One way in which the suspect came, or came once, into a unit."""

    sureness: Sureness
    reasons: tuple[str, ...]
    steps: tuple[PathStep, ...]

    def __str__(self) -> str:
        return " → ".join(f"{step.key} {step.words}".strip() for step in self.steps)


def trace_paths(unit: Unit, population: Population, limit: int = 50) -> list[Path]:
    """The ways in which a population's suspect came into a unit, its children's included; of a combination, those of
    each suspicion that it meets, one after the other.

    At most `limit`; those that displaced designators once held are cleared.
    """
    parts = population.parts or (Part(population.suspicion, population.evidence),)
    return [path for part in parts for path in _trace_part(unit, part, population, limit)][:limit]


def _trace_part(unit: Unit, part: Part, population: Population, limit: int) -> list[Path]:
    paths: list[Path] = []
    above, perhaps = _list_inside(unit, population, limit)
    keys = dict(Unit.objects.filter(pk__in=above).values_list("pk", "key"))
    judge = PlaceJudge(part.evidence)
    places = list_places(above, population.at)
    facts: dict[int, list[Fact]] = defaultdict(list)
    for fact in list_facts(part.suspicion, population.at):
        if fact.unit in above:
            facts[fact.unit].append(fact)
    for pk in above:
        inside = [*above[pk], pk]
        homes = tuple(
            PathStep("unit", keys[home], perhaps.get(below, "")) for home, below in reversed([*pairwise(inside)])
        )
        sure = perhaps.keys().isdisjoint(inside)
        for fact in facts[pk]:
            sureness, reason = fact.finding.sureness, fact.finding.reason
            assert sureness
            if sureness == Sureness.CERTAIN and not sure:
                sureness, reason = Sureness.POSSIBLE, Reason.UNRECORDED
            into = PathStep("unit", keys[pk], "inside" if homes else "")
            paths.append(Path(sureness, tuple(reason.words()), (say_fact(fact), into, *homes)))
        for designator, happenings in places.get(pk, {}).items():
            for path in _paths_at(designator, happenings, judge, keys[pk], homes, sure):
                paths.append(path)
                if len(paths) == limit:
                    return paths
    return paths


def say_fact(fact: Fact) -> PathStep:
    """What selected a unit, as the first step of a path."""
    when = _moment(fact.finding.since or 0)
    match fact.by:
        case Window(thing=pk, of=of):
            model, did = _WORKED[of]
            return PathStep(of.value, model.objects.get(pk=pk).key, f"{did} {when}:")
        case Run(axis=pk):
            axis = Axis.objects.select_related("tape", "station").get(pk=pk)
            place = axis.tape or axis.station
            assert place
            return PathStep("tape" if axis.tape else "station", place.key, f"gave {when} to")
        case Failed(characteristic=pk, way=way):
            name = Characteristic.objects.get(pk=pk).name
            failed = {"": "not good", "outside": "outside its limits"}.get(way, f"{way} its limit")
            return PathStep("characteristic", name, f"was {failed} {when} of")
        case Faulty(code=pk):
            return PathStep("fault", FaultCode.objects.get(pk=pk).key, f"was found {when} in")
    return PathStep("unit", Unit.objects.get(pk=fact.unit).key, "is named:")


_WORKED: Mapping[Of, tuple[Any, str]] = {
    Of.STATION: (Station, "had, from"),
    Of.PERSON: (Person, "worked, from"),
    Of.EQUIPMENT: (Equipment, "was used, from"),
    Of.PROGRAM: (Program, "was used, from"),
}


def _list_inside(unit: Unit, population: Population, limit: int) -> tuple[dict[int, tuple[int, ...]], dict[int, str]]:
    """({id of a unit and of each within it: those it is inside of, outermost first}, {id of those of which
    it is not sure: how they may be inside}). At most `limit` that a child that is not known may be."""
    above: dict[int, tuple[int, ...]] = {unit.pk: ()}
    perhaps: dict[int, str] = {}
    children = find_children([unit.pk], population.at)
    order = [unit.pk]
    for parent in order:
        strangers = sorted(population.strangers.get(parent, ()))[:limit]
        if strangers:
            children |= find_children(strangers, population.at)
        known = children.get(parent, {})
        for child in (*known, *strangers):
            if child not in above:
                above[child] = (*above[parent], parent)
                order.append(child)
                if not known.get(child):
                    perhaps[child] = "perhaps" if child in known else "perhaps, where the child is not known"
    return above, perhaps


def _paths_at(
    designator: str,
    happenings: list[Happening],
    judge: PlaceJudge,
    key: str,
    homes: tuple[PathStep, ...],
    sure: bool,
) -> Iterator[Path]:
    standing, displaced = split_standing(happenings)
    for happening in happenings:
        sureness, reason = judge(happening)
        if sureness is None:
            continue
        ended = {id(one): when for one, when in displaced}.get(id(happening))
        words = f"at {designator}"
        if ended is not None:
            sureness, words = Sureness.CLEARED, f"at {designator} until {_moment(ended)}, and no longer"
        elif sureness == Sureness.CERTAIN and (len(standing) > 1 or not sure):
            sureness, reason = Sureness.POSSIBLE, reason if sure else Reason.UNRECORDED
        into = PathStep("unit", key, f"{words}{', inside' if homes else ''}")
        for supply in _supplies(happening, judge):
            yield Path(sureness, tuple(reason.words()), (*supply, into, *homes))


def _supplies(happening: Happening, judge: PlaceJudge) -> Iterator[tuple[PathStep, ...]]:
    """The ways from the suspect to what happened at a place: one, or one for each feed that may have given."""
    content = happening.content
    if isinstance(content, Fitted):
        container = Container.objects.select_related("lot").get(pk=content.container or 0)
        fitted = PathStep("container", container.key, f"fitted {_moment(happening.began)} into")
        yield PathStep("lot", container.lot.key, "in"), fitted
        return
    assert isinstance(content, Drawn)
    station = Station.objects.filter(pk=content.station or 0).first()
    where = f" at {station.key}" if station else ""
    for source in content.sources:
        if not judge.finds(source):
            continue
        carried = [pk for pk in source.containers if pk in judge.evidence.suspects]
        steps = []
        for container in Container.objects.select_related("lot").filter(pk__in=carried):
            steps += [PathStep("lot", container.lot.key, "in"), PathStep("container", container.key, "on")]
        feed = PathStep("feed", Feed.objects.get(pk=source.feed).key, f"drawn{where} {_span(happening)} into")
        yield (*(steps or [PathStep("container", "unknown material", "on")]), feed)


def _span(happening: Happening) -> str:
    if happening.began == happening.ended:
        return _moment(happening.began)
    return f"between {_moment(happening.began)} and {_moment(happening.ended)}"


def _moment(ticks: int) -> str:
    return "now" if ticks >= OPEN else f"{from_ticks(ticks):%Y-%m-%d %H:%M} UTC"
