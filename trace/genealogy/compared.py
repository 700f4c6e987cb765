"""A unit as built against as designed: place by place, what it was to have and what is there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from trace.approvals.queries import find_approval
from trace.engineering.models import Part, Substitute
from trace.engineering.queries import list_authors
from trace.floor.models import Fitting
from trace.genealogy.backward import AsBuilt, AsBuiltPlace, Entry
from trace.ledger.models import EventSubject
from trace.material.models import FeedRecord


class Match(StrEnum):
    """How what is at a place agrees with the revision that the unit conforms to."""

    DESIGNED = "as designed"
    SUBSTITUTE = "substitute"
    DEVIATION = "under deviation"
    OTHER = "another part"
    EXTRA = "extra"
    MISSING = "missing"
    PERHAPS = "perhaps missing"
    NOTHING = "nothing on record"
    UNKNOWN = "not known"


@dataclass(frozen=True)
class Approved:
    """Who approved a substitute, and when; nobody that the record names, where it is empty."""

    person: str = ""
    name: str = ""
    at: datetime | None = None


@dataclass(frozen=True)
class Compared:
    """One place of a unit: the key of the part `designed` in ("" where there is no such place), the keys of the `parts`
    of which one is there, the units or containers that are or may be; who approved the substitute, under which
    deviation it was used."""

    unit: str
    designator: str
    designed: str
    parts: tuple[str, ...]
    things: tuple[tuple[str, str], ...]
    match: Match
    approved: Approved | None = None
    deviation: str = ""
    reason: str = ""


def compare_with_design(built: AsBuilt) -> list[Compared]:
    """Every place of a unit and of all within it, against the revisions that they conform to. The number of queries
    grows with the number of revisions of which a substitute is used, not with that of places."""
    units = list(built.walk())
    substitutes = _list_substitutes({unit.part for unit in units})
    deviations = _list_deviations(units)
    parts = {unit.key: unit.part for unit in units}
    found = [
        _compare(unit, place, parts, substitutes.get((unit.part, place.designator), frozenset()), deviations)
        for unit in units
        for place in unit.places
        if place.part or any(entry.kind != Fitting.Holds.NOTHING for entry in place.standing)
    ]
    used = {
        (parts[one.unit], part)
        for one in found
        if one.match == Match.SUBSTITUTE
        for part in one.parts
        if part != one.designed
    }
    approvals = {design: _find_approvals(design, {part for of, part in used if of == design}) for design, _ in used}
    return [
        replace(one, approved=next(approvals[parts[one.unit]][part] for part in one.parts if part != one.designed))
        if one.match == Match.SUBSTITUTE
        else one
        for one in found
    ]


Deviations = Mapping[tuple[str, str, int], str]
"""{(unit, designator, since when) of what was fitted, (feed, container, 0) of what was loaded: its deviation}"""


def _compare(
    unit: AsBuilt, place: AsBuiltPlace, keys: Mapping[str, str], substitutes: Collection[str], deviations: Deviations
) -> Compared:
    standing = place.standing
    parts = list(dict.fromkeys(part for entry in standing for part in _parts_of(entry, keys)))
    known = [part for part in parts if part]
    under = _deviation(unit.key, place, deviations)
    removed = next((entry.reason for entry in standing if entry.kind == Fitting.Holds.NOTHING), "")
    return Compared(
        unit.key,
        place.designator,
        place.part or "",
        tuple(known),
        tuple(dict.fromkeys(thing for entry in standing for thing in _things_of(entry))),
        _judge(place, known, len(known) < len(parts), substitutes, under),
        deviation=under,
        reason=removed,
    )


def _judge(place: AsBuiltPlace, known: list[str], unknown: bool, substitutes: Collection[str], under: str) -> Match:
    if not place.entries:
        return Match.NOTHING
    if not known and not unknown:
        return Match.MISSING
    if not place.part:
        return Match.EXTRA
    if any(part != place.part and part not in substitutes for part in known):
        return Match.OTHER
    if unknown:
        return Match.UNKNOWN
    if not place.filled:
        return Match.PERHAPS
    if under:
        return Match.DEVIATION
    return Match.DESIGNED if known == [place.part] else Match.SUBSTITUTE


def _parts_of(entry: Entry, keys: Mapping[str, str]) -> Iterable[str]:
    """The parts that this put there; empty text for one that is not known."""
    if entry.child:
        yield keys[entry.child]
    elif entry.kind == Fitting.Holds.UNKNOWN:
        yield ""
    for origin in entry.origins:
        yield origin.part or ""


def _things_of(entry: Entry) -> Iterable[tuple[str, str]]:
    if entry.child:
        yield "unit", entry.child
    for origin in entry.origins:
        if origin.container:
            yield "container", origin.container


def _deviation(unit: str, place: AsBuiltPlace, deviations: Deviations) -> str:
    """The deviation under which something there was used, the first of several."""
    for entry in place.standing:
        if found := deviations.get((unit, place.designator, entry.since)):
            return found
        for feed in entry.feeds:
            for origin in entry.origins:
                if found := deviations.get((feed, origin.container or "", 0)):
                    return found
    return ""


def _list_deviations(units: Collection[AsBuilt]) -> Deviations:
    entries = [entry for unit in units for place in unit.places for entry in place.standing]
    feeds = {feed for entry in entries for feed in entry.feeds}
    containers = {origin.container for entry in entries if entry.feeds for origin in entry.origins if origin.container}
    loads = FeedRecord.objects.filter(feed__key__in=feeds, container__key__in=containers, deviation__isnull=False)
    fitted = Fitting.objects.filter(unit__key__in=[unit.key for unit in units], deviation__isnull=False)
    found: dict[tuple[str, str, int], str] = {}
    loaded = loads.filter(superseded=None).values_list("feed__key", "container__key", "deviation__key")
    for feed, container, deviation in loaded:
        found[feed, container or "", 0] = deviation
    columns = ("unit__key", "designator", "since", "error", "deviation__key")
    for unit, designator, since, error, deviation in fitted.filter(superseded=None).values_list(*columns):
        found[unit, designator, since - error] = deviation
    return found


def _list_substitutes(designs: Collection[str]) -> Mapping[tuple[str, str], set[str]]:
    """{(assembly, designator): the parts approved in place of the one designed in}."""
    found: dict[tuple[str, str], set[str]] = defaultdict(set)
    rows = Substitute.objects.filter(line__parent__key__in=designs, line__designators__name__isnull=False)
    for assembly, designator, part in rows.values_list("line__parent__key", "line__designators__name", "part__key"):
        found[assembly, designator].add(part)
    return found


def _find_approvals(design: str, parts: set[str]) -> Mapping[str, Approved]:
    """Per substitute of a revision, who approved it: who named it one there, as may be done after the release too; else
    who approved the revision by signature."""
    about = EventSubject.objects.filter(event__verb="approve_substitute", kind="part", key__in=parts)
    named = about.filter(event__subjects__kind="part", event__subjects__key=design).select_related("event__by")
    found = {one.key: Approved(one.event.by.key, one.event.by.name, one.event.happened) for one in named}
    if parts <= found.keys():
        return found
    signed = find_approval("part", design, list_authors(Part.objects.get(key=design)))
    one = signed and signed.signature
    return dict.fromkeys(parts, Approved(one.person.key, one.name, one.signed) if one else Approved()) | found
