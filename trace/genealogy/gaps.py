"""Why units are only possible carriers: what is not known of which feed, and what knowing it would make of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from trace.core.clock import OPEN
from trace.genealogy.direct import CHUNK, concerned
from trace.genealogy.forward import Part, Population
from trace.genealogy.intervals import Ranges
from trace.genealogy.places import Drawn, Fitted, PlaceJudge, Source, list_places
from trace.genealogy.rules import CLEAN, NOTHING, Happening, Reason, Sureness, Verdict, judge_place, split_standing

EVERYWHERE = Ranges([(0, OPEN + 1)])
SUSPECT = Verdict(EVERYWHERE, EVERYWHERE, Ranges(), Ranges())
"""Of a feed that gave nothing else."""


class Change(NamedTuple):
    """What is not known: which of these containers (ids; None: nobody knows what) a feed gave, or, where there is no
    feed, what a container that was fitted from by hand had in it."""

    feed: int | None
    containers: tuple[int | None, ...]


@dataclass(frozen=True)
class Gap:
    """A change that leaves units possible carriers: why, where it lies on the feed's axis (`first..last`), which units
    (ids, in the order in which they drew) and at which designators; of a combination, in which of its parts."""

    change: Change
    reason: Reason
    first: int
    last: int
    units: tuple[int, ...]
    designators: tuple[str, ...]
    part: int = 0


class Outcome(NamedTuple):
    """What knowing it makes of the possible units of a gap: so many become certain, so many no carriers any more."""

    certain: int
    cleared: int

    @property
    def decided(self) -> int:
        return self.certain + self.cleared


def list_gaps(population: Population) -> list[Gap]:
    """Every change that leaves a unit of a population possible in a place of its own, those of most units first. A unit
    with several is in each."""
    possible = sorted(one.unit for one in population.of(Sureness.POSSIBLE) if one.direct)
    gaps = [gap for part in range(len(_parts(population))) for gap in _list_of_part(population, part, possible)]
    return sorted(gaps, key=lambda gap: (-len(gap.units), gap.part, gap.first, gap.change.feed or 0))


def _parts(population: Population) -> tuple[Part, ...]:
    return population.parts or (Part(population.suspicion, population.evidence),)


def _list_of_part(population: Population, part: int, possible: list[int]) -> list[Gap]:
    found: dict[Change, dict[int, int]] = defaultdict(dict)
    reasons: dict[Change, Reason] = defaultdict(lambda: Reason(0))
    bounds: dict[Change, tuple[int, int]] = {}
    designators: dict[Change, set[str]] = defaultdict(set)
    evidence = _parts(population)[part].evidence
    judge, names = PlaceJudge(evidence), concerned(evidence)
    for unit, designator, happenings in _walk(possible, population.at, names):
        if judge_place(happenings, judge).sureness != Sureness.POSSIBLE:
            continue
        for one in split_standing(happenings)[0]:
            sureness, reason = judge(one)
            if sureness != Sureness.POSSIBLE:
                continue
            for change, first, last in _changes(one.content, judge):
                found[change].setdefault(unit, one.began)
                reasons[change] |= reason
                low, high = bounds.get(change, (first, last))
                bounds[change] = min(low, first), max(high, last)
                designators[change].add(designator)
    return [
        Gap(
            change,
            reasons[change],
            *bounds[change],
            tuple(sorted(units, key=lambda unit: (units[unit], unit))),
            tuple(sorted(designators[change])),
            part,
        )
        for change, units in found.items()
    ]


def _walk(units: Sequence[int], at: int, designators: Collection[str]) -> Iterator[tuple[int, str, list[Happening]]]:
    """(unit, designator, all that happened there)."""
    for start in range(0, len(units), CHUNK):
        for unit, places in list_places(units[start : start + CHUNK], at, designators).items():
            for designator, happenings in places.items():
                yield unit, designator, happenings


def suppose(population: Population, gap: Gap, *, suspect: bool) -> Outcome:
    """What would become of the possible units of a gap if it were known that what they drew there was suspect, or that
    it was not. Only places that draw from that change are judged otherwise; whatever else is open stays so."""
    evidence = _parts(population)[gap.part].evidence
    judge = _Supposing(evidence, gap.change, suspect)
    findings = dict.fromkeys(gap.units, NOTHING)
    for unit, _, happenings in _walk(gap.units, population.at, concerned(evidence)):
        findings[unit] = findings[unit].join(judge_place(happenings, judge))
    certain = sum(one.sureness == Sureness.CERTAIN for one in findings.values())
    return Outcome(certain, sum(one.sureness in (None, Sureness.CLEARED) for one in findings.values()))


def _changes(content: object, judge: PlaceJudge) -> Collection[tuple[Change, int, int]]:
    """(change, first position, last position) of what is open in a draw or a fitting."""
    if isinstance(content, Drawn):
        return [
            (Change(source.feed, source.containers), source.first, source.last)
            for source in content.sources
            if judge.finds(source)
        ]
    assert isinstance(content, Fitted)
    return [(Change(None, (content.container,)), 0, 0)]


@dataclass
class _Supposing(PlaceJudge):
    """Judges as if it were known what was drawn at one change."""

    change: Change
    suspect: bool

    def _verdict(self, source: Source) -> tuple[Verdict, int, int]:
        if (source.feed, source.containers) == self.change:
            return SUSPECT if self.suspect else CLEAN, source.first, source.last
        return super()._verdict(source)
