"""Backward: everything that is, or was, in one unit, down to the first lots, at any depth."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

from django.db.models import Q

from trace.core.clock import OPEN
from trace.core.models import Person
from trace.engineering.models import Designator, Part, Station, Step
from trace.floor.designs import list_designs
from trace.floor.models import Fitting, Salvage, Unit
from trace.genealogy.places import Drawn, Fitted, Places, just_before, list_places
from trace.genealogy.rules import Happening, split_standing
from trace.genealogy.whereabouts import Whereabouts, find_whereabouts
from trace.material.models import Container, Derivation, Feed


class Origin(NamedTuple):
    """A container that may have supplied a place, and what it was filled from. All None: unknown."""

    container: str | None = None
    part: str | None = None
    lot: str | None = None
    lot_number: str | None = None
    supplier: str | None = None
    date_code: str | None = None
    sources: tuple[Origin, ...] = ()

    def first_lots(self) -> Iterator[Origin]:
        """The origins at the bottom: lots as they were received."""
        if not self.sources:
            yield self
        for source in self.sources:
            yield from source.first_lots()


UNKNOWN = Origin()


class Entry(NamedTuple):
    """One thing that happened at a place: what it put there, when, where and by whom.

    It happened between `since` and `until`; a later event displaced it at `gone`, None while it may
    still rule (microseconds). What was found gone may have been so since `doubted`. Of several
    `origins` one is there, or from a bath (`feed_kind`) perhaps something of each; several `feeds`
    where it was drawn before or after a changeover. A child `came_from` the unit that it was in before;
    one that is gone `went_to` the unit that it was put in next, or is elsewhere `now`.
    """

    kind: str
    origins: tuple[Origin, ...]
    since: int
    until: int
    sure: bool
    gone: int | None
    child: str | None = None
    feeds: tuple[str, ...] = ()
    feed_kind: str | None = None
    station: str | None = None
    step: str | None = None
    by: str | None = None
    reason: str = ""
    doubted: int | None = None
    came_from: str | None = None
    went_to: str | None = None
    now: Whereabouts | None = None

    @property
    def standing(self) -> bool:
        """Whether it may still rule at its place."""
        return self.gone is None


class AsBuiltPlace(NamedTuple):
    """A designator of a unit: the part designed in (None: not in the bill of material), and what
    happened there, in order; no entries where nothing is on record."""

    designator: str
    part: str | None
    entries: tuple[Entry, ...]

    @property
    def standing(self) -> list[Entry]:
        """What may rule here now."""
        return [entry for entry in self.entries if entry.standing]

    @property
    def filled(self) -> bool:
        """Whether it is sure that something is here, if not what."""
        standing = self.standing
        return any(entry.sure for entry in standing) and all(entry.kind != "nothing" for entry in standing)

    @property
    def perhaps_filled(self) -> bool:
        """Whether something may be here, or nothing."""
        return not self.filled and any(entry.kind != "nothing" for entry in self.standing)


@dataclass
class AsBuilt:
    """A unit with its places and the units fitted in it; `part` is the revision that it conforms to."""

    key: str
    part: str
    part_name: str
    places: list[AsBuiltPlace] = field(default_factory=list)
    children: list[AsBuilt] = field(default_factory=list)

    def walk(self) -> Iterator[AsBuilt]:
        """The unit and everything in it, depth first."""
        yield self
        for child in self.children:
            yield from child.walk()


def trace_backward(unit: Unit, at: int = OPEN, depth: int | None = None) -> AsBuilt:
    """The unit as built as of a moment (microseconds): per designator the candidates with lot,
    supplier and date code, when, where and by whom; derivations to the first lots; children to any
    depth, or so deep. The number of queries grows with depth only."""
    children = find_children([unit.pk], at, depth)
    units = {u.pk: u for u in _units({unit.pk, *(c for found in children.values() for c in found)})}
    places = list_places(units, at)
    names = _Names(places, at)
    designs = list_designs(units.values(), at)
    designed = _designed(designs.values())
    parts = Part.objects.in_bulk(set(designs.values()))
    built = {pk: AsBuilt(u.key, parts[designs[pk]].key, parts[designs[pk]].name) for pk, u in units.items()}
    for pk, u in units.items():
        mine = places.get(pk, {})
        places_of = dict(designed.get(designs[pk], []))
        order = {name: i for i, name in enumerate(places_of)}
        for designator in sorted({*order, *mine}, key=lambda d: (order.get(d, len(order)), d)):
            entries = names.entries(mine.get(designator, []), u.key)
            built[pk].places.append(AsBuiltPlace(designator, places_of.get(designator), entries))
        built[pk].children = [built[child] for child in children.get(pk, [])]
    return built[unit.pk]


def find_children(units: Collection[int], at: int = OPEN, depth: int | None = None) -> dict[int, dict[int, bool]]:
    """{unit id: {id of each unit fitted in it at a moment: whether it surely was}}, for units and all
    within them, or so deep."""
    children: dict[int, dict[int, bool]] = {}
    layer = set(units)
    while layer and (depth is None or depth > 0):
        depth = None if depth is None else depth - 1
        rows = (
            Fitting.objects.filter(
                Q(since__lte=at) | Q(earliest__lte=at), unit__in=layer, child__isnull=False, superseded=None
            )
            .exclude(until__lte=at)
            .order_by("designator", "since")
        )
        layer = set()
        for parent, child, since, doubted in rows.values_list("unit", "child", "since", "doubted"):
            assert child is not None
            sure = since <= at and (doubted is None or doubted >= at)
            children.setdefault(parent, {})[child] = sure or children.get(parent, {}).get(child, False)
            layer.add(child)
    return children


def _units(ids: Collection[int]) -> list[Unit]:
    return list(Unit.objects.filter(pk__in=ids))


def _designed(parts: Collection[int]) -> dict[int, list[tuple[str, str]]]:
    """{assembly id: [(designator, part key) in order of the bill of material]}."""
    found: dict[int, list[tuple[str, str]]] = {}
    rows = Designator.objects.filter(parent__in=parts).order_by("parent", "line__number", "id")
    for parent, name, child in rows.values_list("parent", "name", "line__child__key"):
        found.setdefault(parent, []).append((name, child))
    return found


class _Names:
    """Reads, once each, the names of everything that a set of places mentions."""

    def __init__(self, places: Places, at: int) -> None:
        contents = [h.content for unit in places.values() for at in unit.values() for h in at]
        drawn = [content for content in contents if isinstance(content, Drawn)]
        fitted = [content for content in contents if isinstance(content, Fitted)]
        sources = [source for content in drawn for source in content.sources]
        wanted = {pk for source in sources for pk in source.containers if pk} | {
            content.container for content in fitted if content.container
        }
        self.origins = _Origins(wanted)
        feeds = Feed.objects.filter(pk__in={source.feed for source in sources})
        self.feeds = {pk: (key, kind) for pk, key, kind in feeds.values_list("pk", "key", "kind")}
        steps = Step.objects.filter(pk__in={d.step for d in drawn if d.step}).order_by()
        self.steps = {pk: f"{number} {name}" for pk, number, name in steps.values_list("pk", "number", "name")}
        stations = Station.objects.filter(pk__in={d.station for d in drawn if d.station}).order_by()
        self.stations = dict(stations.values_list("pk", "key"))
        by = {d.by for d in drawn if d.by} | {f.by for f in fitted if f.by}
        people = Person.objects.filter(pk__in=by).order_by()
        self.people = dict(people.values_list("pk", "name"))
        children = {f.child for f in fitted if f.child}
        self.children = dict(Unit.objects.filter(pk__in=children).values_list("pk", "key"))
        self.homes: dict[int, list[tuple[int, str]]] = {child: [] for child in children}
        homes = Fitting.objects.filter(child__in=children, superseded=None, since__lte=at).order_by("since", "id")
        for child, since, error, home in homes.values_list("child", "since", "error", "unit__key"):
            assert child is not None
            self.homes[child].append((since - error, home))
        self.at = at

    @cached_property
    def now(self) -> dict[int, Whereabouts]:
        """Where each child is, asked for once one has left its place."""
        return find_whereabouts(self.children, self.at)

    def entries(self, happenings: list[Happening], here: str) -> tuple[Entry, ...]:
        gone = {id(one): when for one, when in split_standing(happenings)[1]}
        ordered = sorted(happenings, key=lambda h: (h.began, h.ended))
        return tuple(self._entry(happening, gone.get(id(happening)), here) for happening in ordered)

    def _entry(self, happening: Happening, gone: int | None, here: str) -> Entry:
        content = happening.content
        if isinstance(content, Drawn):
            return Entry(
                "drawn",
                tuple(
                    self.origins.of(pk, min(happening.ended, until - 1))
                    for source in content.sources
                    for pk, until in zip(source.containers, source.on_feed_until, strict=True)
                )
                or (UNKNOWN,),
                happening.began,
                happening.ended,
                happening.sure,
                gone,
                feeds=tuple(dict.fromkeys(self.feeds[source.feed][0] for source in content.sources)),
                feed_kind=self.feeds[content.sources[0].feed][1],
                station=self.stations.get(content.station or 0),
                step=self.steps.get(content.step or 0),
                by=self.people.get(content.by or 0),
            )
        assert isinstance(content, Fitted)
        before, after, now = None, None, None
        if content.child:
            moves = self.homes[content.child]
            before = next((home for since, home in reversed(moves) if since < happening.began), None)
            if gone is not None:
                after = next((home for since, home in moves if since > happening.began), None)
                now = None if after else self.now[content.child]
        return Entry(
            content.holds,
            (self.origins.of(content.container, happening.ended),) if content.container else (),
            happening.began if content.earliest is None else content.earliest,
            happening.ended,
            happening.sure,
            gone,
            child=self.children.get(content.child or 0),
            by=self.people.get(content.by or 0),
            reason=content.reason,
            doubted=content.doubted,
            came_from=None if before == here else before,
            went_to=after,
            now=now,
        )


class _Origins:
    """Containers with what they were filled from, down to the first lots, as of any moment."""

    def __init__(self, wanted: Collection[int]) -> None:
        self.sources: dict[int, list[tuple[int, int | None]]] = {}
        layer, seen = set(wanted), set(wanted)
        while layer:
            found = [*_filled_from(layer), *_salvaged_from(layer)]
            layer = set()
            for result, since, source in found:
                self.sources.setdefault(result, []).append((since, source))
                if source is not None and source not in seen:
                    layer.add(source)
                    seen.add(source)
        columns = ("key", "part__key", "lot__key", "lot__number", "lot__supplier__name", "lot__date_code")
        rows = Container.objects.filter(pk__in=seen).order_by().values_list("pk", "own", *columns)
        self.received = {pk: (own, Origin(*names)) for pk, own, *names in rows}
        self._known: dict[tuple[int, int], Origin] = {}

    def of(self, pk: int | None, moment: int) -> Origin:
        """One container as of a moment: what was filled into it later is not in it.

        Containers poured to and fro at one moment are cut where they would come round again.
        """
        if pk is None:
            return UNKNOWN
        filled = [(since, source) for since, source in self.sources.get(pk, ()) if since <= moment]
        memo = (pk, max((since for since, _ in filled), default=0))
        if memo in self._known:
            return self._known[memo]
        own, received = self.received[pk]
        self._known[memo] = received
        below = tuple(
            self.of(source, since) for since, source in sorted(filled, key=lambda entry: (entry[0], entry[1] or 0))
        )
        origin = received._replace(sources=(received, *below) if own else below) if below else received
        self._known[memo] = origin
        return origin


def _filled_from(containers: Collection[int]) -> Iterator[tuple[int, int, int | None]]:
    """(container, since when, source) of what was split, merged, mixed or taken off into these."""
    rows = Derivation.objects.filter(result__in=containers, superseded=None)
    for result, source, at, error in rows.values_list("result", "source", "at", "error"):
        yield result, at - error, source


def _salvaged_from(containers: Collection[int]) -> Iterator[tuple[int, int, int | None]]:
    """The same for parts taken out of a unit's designator: whatever may have been there, unknown
    where nothing is on record."""
    salvages = list(Salvage.objects.filter(result__in=containers, superseded=None))
    places = list_places({salvage.unit_id for salvage in salvages}) if salvages else {}
    for salvage in salvages:
        happenings = places.get(salvage.unit_id, {}).get(salvage.designator, [])
        for container in _containers_before(happenings, salvage) or {None}:
            yield salvage.result_id, salvage.at - salvage.error, container


def _containers_before(happenings: Collection[Happening], salvage: Salvage) -> set[int | None]:
    """The containers that may have supplied a designator, just before something was taken out of it."""
    standing, _ = split_standing(just_before(happenings, salvage))
    found: set[int | None] = set()
    for happening in standing:
        content = happening.content
        if isinstance(content, Drawn):
            found.update(container for source in content.sources for container in source.containers)
        elif isinstance(content, Fitted) and content.holds in ("container", "unknown"):
            found.add(content.container)
    return found
