"""What is on record of units before they go ahead at a station, read in one statement."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple

from django.db import connection

from trace.core.clock import OPEN, from_ticks
from trace.core.sql import fetch_planned, load_sql
from trace.engineering.models import Station, Step
from trace.floor.models import Pass, Unit
from trace.floor.route import RouteStep
from trace.floor.verifying import Decision, Seen, read_decisions, read_seen
from trace.material.models import Axis, SetUp


class Visit(NamedTuple):
    """One pass of a unit: ids of its step and station, what it came to, its scans and bounds.

    `due_again`: since when its step is due again, where the unit was sent back. `refilling`: it may have filled a place
    that is served again now.
    """

    step: int
    station: int
    outcome: str
    drew: str
    scanned_in: int | None
    scanned_out: int | None
    error: int
    began: int
    ended: int
    due_again: int | None = None
    refilling: bool = False

    @property
    def passed(self) -> bool:
        """Whether it passed its step, and that counts still."""
        return self.outcome == Pass.Outcome.PASSED and self.due_again is None


@dataclass(frozen=True)
class Evidence:
    """The set-up that serves each part here, each part's route in order, each unit's passes, the steps that
    each skipped, when each was sent back since and to which steps, the orders of those whose order is closed, where
    a step here asks for it what was seen of the feeds of set-ups and decided of their first pieces, and whether there
    is anything of a rarer kind to look into; where there is not, it is not asked for.

    `serving`: every set-up that the positions of a rack meet; `setups` has the first of each part.
    `elsewhere`: a unit is inside a station, fitted, packed, in a panel or a sample.
    `children`: something is fitted in one.
    `places_of_children`: a part has places of serialised children. `stops`: a hold on a unit, the
    station or what serves there, a lot past its expiry or not released, a container perhaps past its floor life, or a
    feed with nothing known on it. `faults`: a fault of a unit is open, or was then.
    """

    setups: dict[int, SetUp]
    serving: list[SetUp]
    routes: dict[int, list[RouteStep]]
    visits: dict[int, list[Visit]]
    skips: dict[int, set[int]]
    sent_back: dict[int, list[tuple[int, int]]]
    closed: dict[int, str]
    seen: dict[int, list[Seen]]
    decided: dict[tuple[int, int], Decision]
    elsewhere: bool
    children: bool
    places_of_children: bool
    stops: bool
    faults: bool


def gather_evidence(
    units: Sequence[Unit], station: Station, scan: int, setup: SetUp | None, positions: Sequence[tuple[int, int]] | None
) -> Evidence:
    """The evidence on units at a station; arguments as `admit` has them."""
    parts = list({unit.part_id for unit in units})
    since, until = reach(positions) if positions else (scan, scan)
    named = [setup.key, *([setup.axis.tape.key] if setup.axis.tape else [])] if setup else []
    ((setups, routes, visits, skips, sent_back, closed, seen, decided, *signs),) = fetch_planned(
        __file__,
        "evidence",
        _parts_of_statement(connection.vendor, bool(positions)),
        units=[unit.pk for unit in units],
        parts=parts,
        parts_without=[] if setup else parts,
        named=[setup.pk] if setup else [],
        station=station.pk,
        since=since,
        until=until,
        day=from_ticks(scan).date(),
        scan=scan,
        keys=[station.key, *named, *(unit.key for unit in units)],
    )
    serving = [setup] if setup else sorted(_setups(setups, station), key=lambda found: found.first)
    return Evidence(
        dict.fromkeys(parts, setup) if setup else {found.assembly_id: found for found in reversed(serving)},
        serving,
        _routes(routes),
        _visits(visits),
        _skips(skips),
        _sent_back(sent_back),
        dict(json.loads(closed or "[]")),
        read_seen(json.loads(seen or "[]")),
        read_decisions(json.loads(decided or "[]")),
        *signs,
    )


@cache
def _parts_of_statement(vendor: str, ranged: bool) -> dict[str, str]:
    """What gives there; and what set-ups owe, of those of which a step asks it."""
    return {
        "giving": load_sql(__file__, "at_positions" if ranged else "next", vendor),
        "open": str(OPEN),
        "seen": load_sql(__file__, "seen", vendor),
        "verified": "IN (SELECT setup FROM asked WHERE verification <> '')",
        "decided": load_sql(__file__, "decided", vendor),
        "begun": "IN (SELECT setup FROM asked WHERE first_piece)",
    }


def _setups(rows: str | None, station: Station) -> Iterable[SetUp]:
    for pk, key, assembly, axis, first, end, started, kind, slack in json.loads(rows or "[]"):
        names = ["id", "key", "assembly_id", "axis_id", "first", "end", "started"]  # in the model's order
        setup = SetUp.from_db(None, names, [pk, key, assembly, axis, first, end, started])
        names = ["id", "kind", "station_id", "tape_id", "slack"]  # all of them, hence in the model's order
        setup.axis = Axis.from_db(None, names, [axis, kind, station.pk, None, slack])
        yield setup


def _routes(rows: str | None) -> dict[int, list[RouteStep]]:
    routes: dict[int, list[RouteStep]] = defaultdict(list)
    in_order = sorted(json.loads(rows or "[]"), key=lambda row: (row[0], row[2], row[-1] or ""))
    for (part, pk, number, name, *asked), stations in groupby(in_order, itemgetter(slice(15))):
        routes[part].append(RouteStep(pk, number, name, tuple(station for *_, station in stations if station), *asked))
    return routes


def step_on_route(step: Step, stations: Iterable[str], measured: int) -> RouteStep:
    """The same of one step, by its record: the keys of its stations, and how much is measured there."""
    return RouteStep(
        step.pk,
        step.number,
        step.name,
        tuple(stations),
        step.free_order,
        step.alternative,
        step.qualification_id,
        step.equipment_kind,
        step.program.key if step.program else "",
        step.verification,
        step.first_piece,
        step.attempts,
        measured,
        step.sample_every is not None,
    )


def _visits(rows: str | None) -> dict[int, list[Visit]]:
    visits: dict[int, list[Visit]] = defaultdict(list)
    for unit, *visit in json.loads(rows or "[]"):
        visits[unit].append(Visit(*visit))
    return visits


def _skips(rows: str | None) -> dict[int, set[int]]:
    skips: dict[int, set[int]] = defaultdict(set)
    for unit, step in json.loads(rows or "[]"):
        skips[unit].add(step)
    return skips


def _sent_back(rows: str | None) -> dict[int, list[tuple[int, int]]]:
    sent_back: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for unit, at, step in sorted(json.loads(rows or "[]")):
        sent_back[unit].append((at, step))
    return sent_back


def list_visits(unit: Unit) -> list[Visit]:
    """A unit's passes, whatever serves it now."""
    rows = Pass.objects.filter(unit=unit, superseded=None)
    return [Visit(*row) for row in rows.values_list(*Visit._fields[:-1])]


def scan_elsewhere(unit: Unit, visits: Iterable[Visit], station: Station, scan: int) -> int:
    """The earliest moment of a unit's last scan at another station that surely came before `scan`, or
    when it was made."""
    scans = [
        moment - visit.error
        for visit in visits
        if visit.station != station.pk and visit.outcome != Pass.Outcome.VOID and visit.began <= scan
        for moment in (visit.scanned_in, visit.scanned_out)
        if moment is not None and moment <= scan - visit.error
    ]
    return max(min(unit.created, scan), 0, *scans)


def reach(positions: Iterable[tuple[int, int]]) -> tuple[int, int]:
    """From the first of these positions to the last."""
    firsts, lasts = zip(*positions, strict=True)
    return min(firsts), max(lasts)
