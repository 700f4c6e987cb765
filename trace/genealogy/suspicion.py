"""What is suspect: work and units, and lots and containers, closed over everything that was filled from them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import NamedTuple

from django.db.models import F

from trace.core.clock import OPEN
from trace.engineering.queries import list_places_of
from trace.floor.models import Fitting, Salvage
from trace.genealogy.beside import list_beside
from trace.genealogy.intervals import Ranges
from trace.genealogy.rules import Suspect
from trace.material.models import Container, Derivation, Feed, FeedRecord, Lot, SetUpLine, Span


class Of(StrEnum):
    """What did the work of a window, or where it was done."""

    STATION = "station"
    PERSON = "person"
    EQUIPMENT = "equipment"
    PROGRAM = "program"


class Window(NamedTuple):
    """What was done at a station, by a person, with equipment or under a program revision (`thing`, its id) in
    `since..until` (microseconds, the end excluded)."""

    thing: int
    since: int
    until: int
    of: Of = Of.STATION


class Run(NamedTuple):
    """What drew from an axis at `first <= p < end`: from a tape, or under the set-ups of an `assembly` there (None: of
    any)."""

    axis: int
    first: int
    end: int
    assembly: int | None = None


class Failed(NamedTuple):
    """Units that were not good in a characteristic in `since..until`: measured below or above its limits, outside
    either of them, or, for no `way`, in whatever way."""

    characteristic: int
    way: str
    since: int
    until: int


class Faulty(NamedTuple):
    """Units in which a fault of a code was found in `since..until`, at a designator or (empty) wherever."""

    code: int
    designator: str
    since: int
    until: int


@dataclass(frozen=True)
class Suspicion:
    """What somebody suspects, taken together: whole lots, single containers, work in windows, runs of positions, units
    that failed in some way, named units (ids)."""

    lots: frozenset[int] = frozenset()
    containers: frozenset[int] = frozenset()
    windows: frozenset[Window] = frozenset()
    runs: frozenset[Run] = frozenset()
    failures: frozenset[Failed | Faulty] = frozenset()
    units: frozenset[int] = frozenset()

    @classmethod
    def of(
        cls, *, lots: Iterable[Lot] = (), containers: Iterable[Container] = (), windows: Iterable[Window] = ()
    ) -> Suspicion:
        """Suspicion of these lots, containers and windows."""
        return cls(frozenset(lot.pk for lot in lots), frozenset(c.pk for c in containers), frozenset(windows))

    def __or__(self, other: Suspicion) -> Suspicion:
        """Suspicion of what either names, judged as one."""
        return Suspicion(*(getattr(self, one.name) | getattr(other, one.name) for one in fields(self)))


@dataclass
class Presence:
    """A suspect container as something that unknown material may be: where it belongs, when it was
    in the plant, and, by feed, when it is proved to have been at another."""

    part: int
    since: int
    until: int
    proved_at: dict[int, Ranges] = field(default_factory=lambda: defaultdict(Ranges))

    def may_be_at(self, feed: int, slack: int = 0) -> Ranges:
        """Moments, or positions that differ from them by `slack` at most, at which unknown material on a
        feed may be this container."""
        elsewhere = Ranges(r for other, ranges in self.proved_at.items() if other != feed for r in ranges)
        moments = Ranges([(self.since, self.until)]) - elsewhere
        return Ranges((first - slack, end + slack) for first, end in moments)


def name_suspects(suspicion: Suspicion) -> tuple[dict[int, Suspect], set[int]]:
    """(the containers named by a suspicion, those of them suspect whatever was poured into them).

    A lot names the containers that hold it as their own; a plant lot those it was mixed in.
    """
    rows = Container.objects.filter(lot__in=suspicion.lots).values_list("pk", "own", "lot__supplier__is_plant")
    of_lot = {pk for pk, own, _ in rows if own}
    whole = set(suspicion.containers) | {pk for pk, own, is_plant in rows if is_plant and not own}
    return {pk: Suspect() for pk in of_lot | whole}, whole


class Fill(NamedTuple):
    """Suspect material that went into a container since a moment from what is no container itself:
    unknown material, or a unit's designator (`salvage`); `wholly` when it is surely suspect."""

    result: int
    since: int
    wholly: bool = False
    salvage: int | None = None


def close_over_derivations(
    suspects: Mapping[int, Suspect],
    whole: Collection[int],
    fills: Collection[Fill] = (),
    at: int = OPEN,
    spared: Collection[int] = (),
) -> dict[int, Suspect]:
    """The suspects and every container filled from them up to `at`, with since when and how wholly.

    Those in `whole` are suspect whatever was poured into them. Any other container is suspect from
    the moment a suspect source went in, and wholly so until the first source that was not. What is `spared` is none.
    """
    suspects = {pk: suspect for pk, suspect in suspects.items() if pk not in spared} if spared else suspects
    closed = dict(suspects)
    for fill in fills:
        if fill.result in spared:
            continue
        if fill.result not in closed or fill.since < closed[fill.result].since:
            closed[fill.result] = Suspect(fill.since)
    frontier = set(closed)
    while frontier:
        grown: dict[int, int] = {}
        rows = Derivation.objects.filter(source__in=frontier, superseded=None, at__lte=F("error") + at)
        rows = rows.exclude(result__in=spared) if spared else rows
        for source, result, when, error in rows.values_list("source", "result", "at", "error"):
            if closed[source].since <= when + error:
                grown[result] = min(grown.get(result, OPEN), when - error)
        frontier = {pk for pk, since in grown.items() if pk not in closed or since < closed[pk].since}
        for pk in frontier:
            closed[pk] = Suspect(grown[pk], closed[pk].whole_until if pk in closed else OPEN)
    return _shrink_wholeness(closed, suspects, whole, fills, at)


def _shrink_wholeness(
    closed: dict[int, Suspect],
    suspects: Mapping[int, Suspect],
    named: Collection[int],
    fills: Collection[Fill],
    at: int,
) -> dict[int, Suspect]:
    """Until when each suspect is wholly so: start from always, and take away until it is stable."""
    sources: dict[int, list[tuple[int | None, int, int]]] = defaultdict(list)
    filled = Derivation.objects.filter(result__in=closed, superseded=None, at__lte=F("error") + at)
    for result, source, when, error in filled.values_list("result", "source", "at", "error"):
        sources[result].append((source, when - error, when + error))
    surely = {fill.salvage for fill in fills if fill.wholly}
    salvaged = Salvage.objects.filter(result__in=closed, superseded=None, at__lte=F("error") + at)
    for pk, result, when, error in salvaged.values_list("pk", "result", "at", "error"):
        sources[result].append((_WHOLLY if pk in surely else None, when - error, when + error))
    own = set(Container.objects.filter(pk__in=closed, own=True).values_list("pk", flat=True))
    whole = {pk: suspects[pk].whole_until if pk in suspects else 0 if pk in own else OPEN for pk in closed}
    surely_from: dict[int | None, int] = {pk: suspect.surely_from for pk, suspect in suspects.items()}
    changed = True
    while changed:
        changed = False
        for result, derived in sources.items():
            for origin, when, latest in derived:
                if result in suspects and latest < closed[result].since:
                    continue  # whatever came in before, all of it became suspect then
                wholly = origin == _WHOLLY or (
                    whole.get(origin or 0, 0) > latest and surely_from.get(origin, 0) <= when
                )
                if result not in named and when < whole[result] and not wholly:
                    whole[result] = when if _has_content_before(result, when, own, derived) else 0
                    changed = True
    return {pk: Suspect(suspect.since, whole[pk], surely_from.get(pk, 0)) for pk, suspect in closed.items()}


_WHOLLY = -1
"""In the place of a source: what is surely suspect and no container."""


def _has_content_before(
    result: int, when: int, own: Collection[int], derived: Iterable[tuple[int | None, int, int]]
) -> bool:
    return result in own or any(earlier < when for _, earlier, _ in derived)


def where_unknown(suspects: Mapping[int, Suspect], at: int = OPEN) -> dict[int, list[Presence]]:
    """Per feed, the suspect containers that unknown material there may be, up to a moment.

    Only feeds that have unknown material, and serve a place where a suspect's part belongs, or from
    which a part was fitted there by hand, or put into a container of that part.
    """
    presences = {
        container.pk: Presence(
            container.part_id,
            max(container.received, suspects[container.pk].since),
            min(OPEN if container.gone is None else container.gone + 1, at + 1),
        )
        for container in Container.objects.filter(pk__in=suspects)
    }
    feeds = _unknown_between(
        min((p.since for p in presences.values()), default=OPEN),
        max((p.until for p in presences.values()), default=0),
    )
    if not feeds:
        return {}
    _prove_elsewhere(presences)
    of_part: dict[int, list[Presence]] = defaultdict(list)
    for presence in presences.values():
        of_part[presence.part].append(presence)
    places: dict[tuple[int, str], set[int]] = defaultdict(set)
    for assembly, designator, part in list_places_of(of_part):
        places[assembly, designator].add(part)
    lines = SetUpLine.objects.filter(setup__assembly__in={assembly for assembly, _ in places}, feed__in=feeds)
    fitted = Fitting.objects.filter(feed__in=feeds, superseded=None)
    parts: dict[int, set[int]] = defaultdict(set)
    for feed, assembly, designator in (
        *lines.values_list("feed", "setup__assembly", "designator"),
        *fitted.values_list("feed", "unit__part", "designator").distinct(),
        *fitted.filter(unit__conformities__isnull=False, unit__conformities__superseded=None)
        .values_list("feed", "unit__conformities__part", "designator")
        .distinct(),
    ):
        parts[feed] |= places.get((assembly, designator), set())
    taken_off = Derivation.objects.filter(source=None, record__feed__in=feeds, superseded=None)
    for feed, part in taken_off.values_list("record__feed", "result__part").distinct():
        parts[feed] |= {part} & of_part.keys()
    return {feed: [p for part in sorted(fit) for p in of_part[part]] for feed, fit in parts.items() if fit}


def _unknown_between(since: int, until: int) -> set[int]:
    """Feeds that had unknown material at some moment between these."""
    slack = F("feed__axis__slack")
    spans = Span.objects.filter(container=None, superseded=None, until__gte=since - slack, since__lt=until + slack)
    return set(spans.values_list("feed", flat=True))


def _prove_elsewhere(presences: Mapping[int, Presence]) -> None:
    """A container that was the only one a feed can have given was at that feed; not one that was
    poured, whose rest may be anywhere."""
    poured = FeedRecord.objects.filter(
        container__in=presences,
        act__in=[FeedRecord.Act.TOP_UP, FeedRecord.Act.CHARGE, FeedRecord.Act.HAND_FILL],
        superseded=None,
    )
    whole_there = set(presences) - set(poured.values_list("container", flat=True))
    for place, spans in list_beside(whole_there).items():
        if not place.on_clock or place.kind in (Feed.Kind.BATH, Feed.Kind.BIN):
            continue
        for one in spans:
            if one.container in whole_there:
                others = Ranges((other.first, other.end) for other in spans if other.container != one.container)
                proved = Ranges([(one.first, one.end)]) - others
                shrunk = Ranges((first + place.slack, end - place.slack) for first, end in proved)
                presences[one.container].proved_at[place.feed] |= shrunk
