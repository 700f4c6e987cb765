"""Reading the engineering data."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.conf import settings
from django.db import connection
from django.db.models import QuerySet
from django.db.models.expressions import RawSQL

from trace.core.errors import NotFound
from trace.core.keys import read_label
from trace.core.models import Person
from trace.core.sql import load_sql
from trace.engineering.calendar import WEEKDAYS, Calendar, ShiftHours
from trace.engineering.models import (
    BomLine,
    Designator,
    HourlyRate,
    Part,
    Placement,
    Qualification,
    Qualified,
    Site,
    StandardCost,
    Station,
    Step,
    Substitute,
)
from trace.engineering.shifts import DayOff, Shift
from trace.ledger.models import Event


class RevisionUnclear(NotFound):
    """A part number has several revisions, and which one is meant was not said."""

    code = "revision-unclear"
    action = "Name the revision."


def get_part(number: str, revision: str = "") -> Part:
    """The part of this number and revision; without a revision the only one there is.

    Refuses with NotFound, or with RevisionUnclear when there are several and none has an empty revision.
    """
    found = {part.revision: part for part in Part.objects.filter(number=number)}
    if part := found.get(revision):
        return part
    if not found or revision:
        raise NotFound(
            f"There is no part {number}{revision and f' revision {revision}'}.",
            action="Check the number, or define it.",
        )
    if len(found) > 1:
        raise RevisionUnclear(f"Part {number} has revisions {', '.join(sorted(found))}.")
    return next(iter(found.values()))


def get_station(key: str) -> Station:
    """The station of this key. Refuses with NotFound."""
    try:
        return Station.objects.get(key=read_label(key))
    except Station.DoesNotExist:
        raise NotFound(f"There is no station {key}.", action="Check its label.") from None


def list_lacking(person: Person, qualifications: Collection[int], at: datetime) -> dict[int | None, dict[str, Any]]:
    """Of these qualifications, by id, those that a person does not have at a moment, as the interlock's facts say it:
    `who` `lacks` what, and when it `ran_out` where there was one before."""
    had: dict[int, list[datetime | None]] = defaultdict(list)
    periods = Qualified.objects.filter(
        person=person, qualification__in=qualifications, since__lte=at, superseded=None
    ).values_list("qualification", "until")
    for qualification, until in periods:
        had[qualification].append(until)
    lacking = {pk for pk in qualifications if not any(until is None or until > at for until in had[pk])}
    names = dict(Qualification.objects.filter(pk__in=lacking).values_list("pk", "name")) if lacking else {}
    return {
        pk: {"who": str(person), "lacks": name, "ran_out": max(filter(None, had[pk]), default=None)}
        for pk, name in names.items()
    }


def get_calendar() -> Calendar:
    """When the plant works, now and on any day on record."""
    shifts = [
        ShiftHours(
            shift.name,
            frozenset(map(WEEKDAYS.index, shift.weekdays)),
            shift.begins,
            shift.ends,
            shift.since,
            shift.until or date.max,
        )
        for shift in Shift.objects.all()
    ]
    days_off = frozenset(DayOff.objects.filter(withdrawn=None).values_list("day", flat=True))
    return Calendar(get_zone(), shifts, days_off)


def get_zone() -> ZoneInfo:
    """The plant's zone: that of its Site."""
    return zone_of(Site.objects.first())


def zone_of(site: Site | None) -> ZoneInfo:
    """The zone of a Site; that of the settings (PLANT_TIME_ZONE) before there is one, and where its zone is none."""
    name = site.zone if site else settings.TIME_ZONE
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo(settings.TIME_ZONE)


def list_fitting_parts(assembly: int, designator: str) -> set[int]:
    """Ids of the parts that may occupy a designator of an assembly (its id): the one designed in and its substitutes.

    Empty when the assembly has no such designator.
    """
    line = BomLine.objects.filter(designators__parent=assembly, designators__name=designator).first()
    if line is None:
        return set()
    return {line.child_id, *line.substitutes.values_list("part_id", flat=True)}


def list_fitting(assembly: Part, served: Iterable[tuple[str, Collection[str]]]) -> list[list[Part]]:
    """Per (part, designators): the parts that may occupy all of these, the one of that key first."""
    lines = BomLine.objects.filter(parent=assembly).prefetch_related("designators", "substitutes__part")
    fitting = {
        place.name: {line.child, *(one.part for one in line.substitutes.all())}
        for line in lines.select_related("child")
        for place in line.designators.all()
    }
    return [
        sorted(set.intersection(*(fitting[name] for name in names)), key=lambda part: (part.key != key, part.key))
        for key, names in served
    ]


def list_places_of(parts: Iterable[int]) -> list[tuple[int, str, int]]:
    """(assembly id, designator, part id) of every place that these parts may occupy."""
    parts = set(parts)
    own = Designator.objects.filter(line__child__in=parts)
    substituted = Substitute.objects.filter(part__in=parts, line__designators__name__isnull=False)
    return [
        *own.values_list("parent_id", "name", "line__child_id"),
        *substituted.values_list("line__parent_id", "line__designators__name", "part_id"),
    ]


def list_steps(part: Part) -> list[Step]:
    """The route of a part in order, with the stations of each step."""
    return list(Step.objects.filter(part=part).order_by("number").prefetch_related("stations"))


def list_insertion_order(assembly: Part) -> list[str]:
    """The designators that are filled, in the order of the placement file: in the bill of material, and not marked
    do-not-place. Empty when the assembly has no placements; what its file does not place is not in it."""
    placed = Placement.objects.filter(assembly=assembly, do_not_place=False)
    of_bom = Designator.objects.filter(parent=assembly).values("name")
    return list(placed.filter(designator__in=of_bom).order_by("number").values_list("designator", flat=True))


def list_costs(parts: Collection[int], day: date) -> dict[int, tuple[Decimal, Decimal]]:
    """{part id: (standard cost of one unit of measure as bought, minutes to replace one)}, as in force on a day."""
    found = {
        pk: (cost, minutes)
        for pk, cost, minutes in Part.objects.filter(pk__in=parts).values_list("pk", "standard_cost", "replace_minutes")
    }
    dated = StandardCost.objects.filter(part__in=parts, since__lte=day).order_by("since")
    return found | {
        part: (cost, minutes) for part, cost, minutes in dated.values_list("part", "standard_cost", "replace_minutes")
    }


def list_rates(stations: Collection[int], day: date) -> dict[int, Decimal]:
    """{station id: what an hour there costs}, as in force on a day."""
    found = dict(Station.objects.filter(pk__in=stations).values_list("pk", "rate_per_hour"))
    dated = HourlyRate.objects.filter(station__in=stations, since__lte=day).order_by("since")
    return found | dict(dated.values_list("station", "rate_per_hour"))


# Parts explosion -----------------------------------------------------------------------------------------------------


def _walk(name: str, part: Part) -> RawSQL:
    return RawSQL(load_sql(__file__, name, connection.vendor), [part.pk])


def trace_lines(assembly: Part) -> QuerySet[BomLine]:
    """The single-level list: every BOM line in the assembly, at any depth, each once; parents before children."""
    lines = BomLine.objects.filter(parent__in=_walk("explode", assembly)).select_related("parent", "child")
    return lines.order_by("-parent_level", "parent", "number")


def trace_explosion(assembly: Part, quantity: Decimal = Decimal(1)) -> dict[Part, Decimal]:
    """How much of every part is in so many of an assembly, over all ways down to it; not the assembly itself.

    In each part's own unit of measure. Exact: a part reached by several ways is counted by each of them
    (a walk that only remembers where it has been gets the set right and the totals wrong).
    """
    totals: dict[Part, Decimal] = defaultdict(Decimal)
    # A parent's total is whole before it is handed on: all lines into it come from higher levels.
    for line in trace_lines(assembly):
        totals[line.child] += line.quantity * (quantity if line.parent == assembly else totals[line.parent])
    return dict(totals)


def trace_where_used(part: Part) -> QuerySet[Part]:
    """Every assembly that has this part in it, at any depth, by its own BOM lines (not as a substitute)."""
    return Part.objects.filter(pk__in=_walk("where_used", part))


@dataclass(frozen=True)
class IndentedLine:
    """One row of an indented BOM: `quantity` is in one of the whole assembly, by this way down only."""

    depth: int
    line: BomLine
    quantity: Decimal


def trace_indented(assembly: Part, depth: int | None = None) -> Iterator[IndentedLine]:
    """The indented BOM in the order of its lines, down to `depth` (1 is the assembly's own lines; None is all).

    A part that is used twice is shown twice, with all that is in it.
    """
    lines: dict[int, list[BomLine]] = defaultdict(list)
    for line in trace_lines(assembly):
        lines[line.parent_id].append(line)

    def walk(parent: int, quantity: Decimal, level: int) -> Iterator[IndentedLine]:
        if depth is not None and level > depth:
            return
        for line in lines[parent]:
            yield (row := IndentedLine(level, line, quantity * line.quantity))
            yield from walk(line.child_id, row.quantity, level + 1)

    return walk(assembly.pk, Decimal(1), 1)


DRAFTING: Mapping[str, str] = {
    "define_part": "result",
    "revise_part": "result",
    "amend_record": "record",
    "set_bom": "assembly",
    "enter_bom": "assembly",
    "enter_placements": "assembly",
    "set_route": "part",
    "set_characteristics": "part",
    "set_panel": "panel",
}
"""The operations that write what a draft says: under which name their entry has the draft."""


def list_authors(part: Part) -> set[int]:
    """The ids of who wrote what a draft says, as the record has it."""
    named = f"part:{part.key}"
    entries = Event.objects.filter(verb__in=DRAFTING, subjects__kind="part", subjects__key=part.key)
    return {
        by
        for verb, by, payload in entries.values_list("verb", "by", "payload")
        if {**(told := json.loads(payload))["arguments"], "result": told["result"]}.get(DRAFTING[verb]) == named
    }
