"""Gathering the interlock's facts, for one unit or a rack of them in the same few queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from trace.core.clock import from_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.core.sql import fetch
from trace.engineering.equipment import Equipment
from trace.engineering.models import Designator, Station
from trace.engineering.queries import list_lacking
from trace.floor.designs import list_designs
from trace.floor.deviating import Deviated, Permits
from trace.floor.doing import EquipmentHere
from trace.floor.evidence import Visit, gather_evidence, reach
from trace.floor.facts import Facts
from trace.floor.faults import count_failures, find_reviews, list_open_faults
from trace.floor.models import Carried, Carrier, Consignment, Fitting, Packing, Pass, Unit
from trace.floor.readings import Window, begin_visit, judge_readings
from trace.floor.returning import list_from
from trace.floor.route import RouteStep, list_due
from trace.floor.rules import DRAWS_STAND, Stopped, stop
from trace.floor.samples import list_owed
from trace.floor.verifying import SetUpsHere
from trace.holds.gate import find_holds
from trace.holds.models import Hold
from trace.holds.rules import Move
from trace.ledger.canonical import subject_of
from trace.material.clocks import list_past_floor_life
from trace.material.inspecting import list_statuses_at, list_unreleased
from trace.material.models import Feed, Lot, SetUp
from trace.material.queries import list_exhausted, list_giving, list_on_feeds


class CountBehind(Refusal):
    """A machine's count is behind the one at which its set-up began."""

    code = "count-behind"
    action = "Read the machine's count again; if it was set back, have a set-up started from that count recorded."


@dataclass(frozen=True)
class Admission:
    """A unit may go ahead: the step that is due, the set-up that serves it there, whether the unit
    perhaps drew for this step before, whether an earlier pass, of whatever step, may have filled a
    place that this one fills, and its passes so far. Where it was `stopped` after the work, only its draws
    may be recorded; `deviated` is what would have stopped it, had no deviation let it by.
    `equipment` is the id of what the step is done with, where it needs any. `due_again`: when the unit was sent back to
    this step or one before, after this scan, which is told late."""

    unit: Unit
    step: RouteStep
    setup: SetUp | None
    repeated: bool
    refilling: bool
    visits: list[Visit]
    stopped: tuple[Stopped, ...] = ()
    deviated: tuple[Deviated, ...] = ()
    equipment: int | None = None
    due_again: int | None = None


def admit(
    units: Sequence[Unit],
    station: Station,
    moves: Sequence[Move],
    scan: int,
    setup: SetUp | None = None,
    positions: Sequence[tuple[int, int]] | None = None,
    *,
    by: Person,
    equipment: Equipment | None = None,
    error: int = 0,
    after_work: bool = False,
    visit: tuple[int | None, int] | None = None,
    not_passing: Collection[int] = (),
    carrier: Carrier | None = None,
    behind: dict[int, list[Stopped]] | None = None,
) -> list[Admission]:
    """Let all the units go ahead at a station, or refuse with Stopped, naming all that is wrong.

    `carrier` is what they go in together. Where `behind` is given it takes what refuses units, by their ids, and the
    others go; with nobody left to go, that refuses all the same.

    `after_work`: they have drawn already. Then what is wrong with material, children or who did it, or held, refuses
    nothing: it is in the admission of the unit that it stops. What a deviation covers that was in force then,
    throughout the `error` of the scan, stops nothing either; `record_deviated` counts its uses. For use inside a
    moving operation, after its row locks. `moves` are what they make. `visit`: of units that are to pass, when
    they were scanned in, if they were, and its last moment; its readings are judged, but for those (by their ids) that
    are `not_passing`. `setup` is a tape's; else the one that served each unit's part at the station when it was
    scanned. `positions` are those it will draw at, where it does not draw by the clock, `equipment` what the operator
    named. The number of queries does not grow with that of the units.
    """
    found = gather_evidence(units, station, scan, setup, positions)
    done = {u.pk: {v.step for v in found.visits[u.pk] if v.passed} | set(found.skips[u.pk]) for u in units}
    left = {u.pk: [step for step in found.routes[u.part_id] if step.pk not in done[u.pk]] for u in units}
    without = [unit for unit in units if unit.part_id not in found.setups]
    if positions and setup is None:
        _want_ahead(station, {unit.part_id for unit in units}, positions, scan - error)
    due_there = (next_of(list_due(found.routes[unit.part_id], done[unit.pk]), station) for unit in without)
    unserved = {step.pk for step in due_there if step}
    served = _served_elsewhere(unserved)
    contents = contents_of(units) if found.children else {unit.pk: [unit] for unit in units}
    everything = [inner for inside in contents.values() for inner in inside]
    unknown = list_unknown_children(everything) if found.children else {}
    missing = list_missing_children(units) if found.places_of_children else {}
    faults = list_open_faults(units, scan) if found.faults else {}
    reviewed = find_reviews(units, found)
    places: Mapping[int, dict[str, Any]] = places_of(units) if found.elsewhere else {}
    steps_here = (step for steps in left.values() for step in steps if station.key in step.stations)
    asked = {step.qualification for step in steps_here if step.qualification}
    lacking = list_lacking(by, asked, from_ticks(scan)) if asked and not by.is_machine else {}
    windows = [
        Window(
            unit,
            step.pk,
            step.number,
            begin_visit(found.visits[unit.pk], step.pk, visit[0], visit[1], error),
            visit[1],
            step.must_be_read,
        )
        for unit in units
        for step in left[unit.pk]
        if visit and unit.pk not in not_passing and step.measured and station.key in step.stations
    ]
    readings = judge_readings(windows) if windows else {}
    local: list[Model] = []
    holds: list[Hold] = []
    ageing: list[Lot] = []
    past_floor_life: tuple[str, ...] = ()
    unreleased: tuple[tuple[str, str, str], ...] = ()
    exhausted: tuple[str, ...] = ()
    if found.stops or found.children:
        local, ageing, past_floor_life, unreleased, exhausted = _things_at(station, found.serving, positions, scan)
        found_holds = (hold for move in moves for hold in find_holds(move, [*local, *everything]))
        holds = list({hold.pk: hold for hold in found_holds}.values())
    tape = setup.axis.tape if setup else None
    permits = Permits(from_ticks(scan - error), from_ticks(scan + error), moves)
    here = EquipmentHere(station, equipment, from_ticks(scan))
    bank = SetUpsHere(station, found.setups, scan, found.seen, found.decided)
    if carrier:
        places = {pk: {**where, "in_panel": None} for pk, where in places.items()}
    admissions, refusals = [], []
    stay: dict[int, list[Stopped]] = {}
    for unit in units:
        subjects = {subject_of(thing) for thing in [*local, *contents[unit.pk]]} if holds else set()

        def look(choices: Sequence[RouteStep], unit: Unit = unit, subjects: set[tuple[str, str]] = subjects) -> Facts:
            """The facts where one of these steps is next."""
            visits = found.visits[unit.pk]
            due = next_of(choices, station)
            begun = any(visit.outcome != Pass.Outcome.VOID for visit in visits)
            done_here = due if due and station.key in due.stations else None
            if due and due.pk not in unserved and unit.part_id not in found.setups:  # one that a skip leads to
                unserved.add(due.pk)
                served.update(_served_elsewhere({due.pk}))
            return Facts(
                unit=unit.key,
                station=station.key,
                due=due,
                choices=tuple(choices),
                scrapped=unit.scrapped is not None,
                order_closed="" if begun else found.closed.get(unit.pk, ""),
                expired=tuple(sorted({lot.key for lot in ageing if lot.expired(from_ticks(scan))})),
                past_floor_life=past_floor_life,
                unreleased=unreleased,
                exhausted=exhausted,
                made_later=scan < unit.created,
                scrapped_children=tuple(c.key for c in contents[unit.pk] if c.pk != unit.pk and c.scrapped is not None),
                unknown_children=tuple(
                    f"what is fitted in {inner.key} at {designator}"
                    for inner in contents[unit.pk]
                    for designator in unknown.get(inner.pk, ())
                ),
                without_setup=tuple(sorted(served.get(done_here.pk, ()))) if done_here else (),
                given_up=tape.key if tape and tape.aborted else "",
                unfinished=tape.key if tape and not tape.aborted and scan < tape.built_until else "",
                missing_children=tuple(
                    f"{part} at {designator}"
                    for designator, part, number in missing.get(unit.pk, ())
                    if due and number is not None and number < choices[0].number
                ),
                asking=f"step {due.number}, {due.name}," if due else "",
                **(lacking.get(done_here.qualification, {}) if done_here else {}),
                doing=here.find(done_here),
                failures=count_failures(visits, due, reviewed.get(unit.pk)),
                faults=tuple(fault.words for fault in faults.get(unit.pk, ())),
                **(readings.get((unit.pk, due.pk), {}) if due else {}),
                **bank.find(unit, done_here),
                held=tuple(h.sentence for h in holds if (h.target_kind, h.target_key) in subjects),
                **places.get(unit.pk, {}),
            )

        due, stopped, deviated = permits.settle(unit, found.routes[unit.part_id], done[unit.pk], look)
        refusals += stopped
        if any(not after_work or refusal.extra["rule"] not in DRAWS_STAND for refusal in stopped):
            stay[unit.pk] = stopped
            bank.stays(unit)
        elif due:
            visits, serves = found.visits[unit.pk], found.setups.get(unit.part_id)
            drew = [visit for visit in visits if visit.drew != Pass.Drew.NONE]
            repeated, refilling = any(v.step == due.pk for v in drew), any(v.refilling for v in drew)
            admissions.append(
                Admission(
                    unit,
                    due,
                    serves,
                    repeated,
                    refilling,
                    visits,
                    tuple(stopped),
                    tuple(deviated),
                    here.find(due).pk,
                    _due_again(due, found.routes[unit.part_id], found.sent_back[unit.pk]),
                )
            )
    if behind is not None and admissions:
        behind.update(stay)
    elif stay:
        raise stop(refusals)
    return admissions


def _due_again(step: RouteStep, route: Sequence[RouteStep], sent_back: Sequence[tuple[int, int]]) -> int | None:
    """When a unit was first sent back to this step or one before; `sent_back` as the evidence has it."""
    steps = {one.pk: one for one in route}
    return next((at for at, to in sent_back if step in list_from(route, steps[to])), None)


def _want_ahead(station: Station, parts: Collection[int], positions: Sequence[tuple[int, int]], moment: int) -> None:
    """Refuse with CountBehind cycle counts that all lie before a set-up which had surely begun at that moment: the
    set-up before it would be judged in its place."""
    _, last = reach(positions)
    begun = SetUp.objects.filter(axis__station=station, assembly__in=parts, started__lte=moment, first__gt=last)
    if setup := begun.order_by("-first").first():
        raise CountBehind(f"Set-up {setup.key} began at count {setup.first}, and {last} lies before that.")


def next_of(choices: Sequence[RouteStep], station: Station) -> RouteStep | None:
    """Of several steps of which one is next, what is done here first."""
    return next((step for step in choices if station.key in step.stations), choices[0] if choices else None)


def _served_elsewhere(steps: Collection[int]) -> dict[int, list[str]]:
    """Per step, the designators that it fills and that some set-up of its part serves."""
    served: dict[int, list[str]] = defaultdict(list)
    if steps:
        for step, designator in fetch(__file__, "served", steps=list(steps)):
            served[step].append(designator)
    return served


def list_missing_children(units: Sequence[Unit]) -> dict[int, list[tuple[str, str, int | None]]]:
    """Per unit, the places of serialised children that are empty: (designator, part key, the number
    of the step that fills it)."""
    designs = list_designs(units)
    rows = Designator.objects.filter(parent__in=set(designs.values()), line__child__serialised=True)
    wanted: dict[int, list[tuple[str, str, int | None]]] = defaultdict(list)
    for parent, name, part, number in rows.values_list("parent", "name", "line__child__key", "step_number"):
        wanted[parent].append((name, part, number))
    if not wanted:
        return {unit.pk: [] for unit in units}
    some = [Fitting.Holds.CHILD, Fitting.Holds.UNKNOWN]
    fitted = set(
        Fitting.objects.filter(unit__in=units, holds__in=some, until=None, superseded=None).values_list(
            "unit", "designator"
        )
    )
    return {
        unit.pk: [place for place in wanted[designs[unit.pk]] if (unit.pk, place[0]) not in fitted] for unit in units
    }


def list_unknown_children(units: Sequence[Unit]) -> dict[int, list[str]]:
    """Per unit that has any, the designators at which nobody knows which child is fitted."""
    unknown: dict[int, list[str]] = defaultdict(list)
    rows = Fitting.objects.filter(unit__in=units, holds=Fitting.Holds.UNKNOWN, until=None, superseded=None)
    for unit, designator in rows.order_by("designator").values_list("unit", "designator"):
        unknown[unit].append(designator)
    return unknown


def contents_of(units: Sequence[Unit]) -> dict[int, list[Unit]]:
    """Each unit with every unit fitted in it, to any depth, the unit itself first."""
    contents = {unit.pk: [unit] for unit in units}
    tops = {unit.pk: unit.pk for unit in units}
    layer = set(tops)
    while layer:
        fitted = Fitting.objects.filter(
            unit__in=layer, child__isnull=False, until=None, superseded=None
        ).select_related("child")
        layer = set()
        for fitting in fitted:
            if fitting.child and fitting.child.pk not in tops:
                tops[fitting.child.pk] = tops[fitting.unit_id]
                contents[tops[fitting.unit_id]].append(fitting.child)
                layer.add(fitting.child.pk)
    return contents


def places_of(units: Sequence[Unit]) -> dict[int, dict[str, str]]:
    """Per unit, where it is, or what it is for, instead of waiting for its next step: facts of the interlock."""
    places: dict[int, dict[str, str]] = defaultdict(dict)
    in_panels = Carried.objects.filter(unit__in=units, carrier__kind=Carrier.Kind.PANEL, until=None, superseded=None)
    for unit_id, panel in in_panels.values_list("unit", "carrier__key"):
        places[unit_id]["in_panel"] = panel
    inside = Pass.objects.filter(unit__in=units, inside=True, superseded=None)
    for unit_id, station in inside.values_list("unit", "station__key"):
        places[unit_id]["inside_at"] = station
    homes = Fitting.objects.filter(child__in=units, until=None, superseded=None)
    for unit_id, home in homes.values_list("child", "unit__key"):
        places[unit_id]["fitted_in"] = home
    packed = dict(Packing.objects.filter(unit__in=units, until=None).values_list("unit", "carton"))
    shipped = dict(
        Consignment.objects.filter(
            carton__in=packed.values(), until=None, shipment__departed__isnull=False
        ).values_list("carton", "shipment__customer__name")
    )
    keys = dict(Packing.objects.filter(unit__in=packed, until=None).values_list("unit", "carton__key"))
    for unit_id, carton_id in packed.items():
        places[unit_id]["packed_in"] = keys[unit_id]
        if carton_id in shipped:
            places[unit_id]["shipped_to"] = shipped[carton_id]
    for unit_id, tests in list_owed(units).items():
        places[unit_id]["sample_owed"] = " and the ".join(tests)
    return places


def _things_at(
    station: Station, setups: Sequence[SetUp], positions: Sequence[tuple[int, int]] | None, scan: int
) -> tuple[list[Model], list[Lot], tuple[str, ...], tuple[tuple[str, str, str], ...], tuple[str, ...]]:
    """(what a hold at a station may sit on: it, set-ups, tapes, feeds, what they give here, its lots;
    the lots whose expiry counts there; the containers past their floor life there; the lots not released, with part
    and status; the feeds that are surely past their count).

    On a tape the board sets to be drawn count, not what the heads hold now.
    """
    if not setups:
        return [station], [], (), (), ()
    serving = Feed.objects.filter(lines__setup__in=setups)
    spans = list_on_feeds(serving)
    if positions:
        spans = list_giving(serving, *reach(positions))
    spans = spans.select_related("feed", "container__lot__part", "container__part")
    feeds = {span.feed for span in spans}  # each has one: no position is without a candidate
    loaded = [span.container for span in spans if span.container]
    tapes = [s.axis.tape for s in setups if s.axis.tape]
    ageing = [span.container.lot for span in spans if span.container and span.feed.kind != Feed.Kind.BATH]
    lots = list_unreleased([container.lot for container in loaded], scan)
    statuses = list_statuses_at(lots, scan)
    unreleased = tuple((lot.key, lot.part.key, statuses[lot.pk]) for lot in lots)
    subjects = [station, *setups, *tapes, *feeds, *loaded, *(container.lot for container in loaded)]
    empty = feeds - {span.feed for span in spans if span.container}
    past = tuple(sorted({container.key for container, _ in list_past_floor_life(spans, scan)}))
    used_up = list_exhausted(feed for feed in empty if feed.kind != Feed.Kind.HEAD)
    return subjects, ageing, past, unreleased, used_up
