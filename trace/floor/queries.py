"""Reading the floor: units, where they are, what they still need."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db import connection
from django.db.models import Count, Exists, Max, OuterRef, Q, QuerySet, Subquery, prefetch_related_objects
from django.db.models.functions import Coalesce

from trace.core.errors import NotFound
from trace.core.sql import lock_rows
from trace.engineering.models import Characteristic, ScanMode, Station, Step
from trace.engineering.queries import list_steps
from trace.floor.admission import list_missing_children, list_unknown_children, places_of
from trace.floor.faults import list_open_faults
from trace.floor.models import (
    Conformity,
    Fitting,
    LooseSighting,
    Packing,
    Pass,
    RefusedScan,
    Repair,
    SampleRule,
    Skip,
    Unit,
)
from trace.floor.route import list_due
from trace.floor.rules import SCAN_CHILD
from trace.floor.samples import find_unsold
from trace.holds.models import Hold


def get_unit(key: str) -> Unit:
    """The unit of a serial, or NotFound."""
    unit = Unit.objects.select_related("part", "order").filter(key=key).first()
    if unit is None:
        raise NotFound(f"No unit has the serial {key}.")
    return unit


def get_open_pass(unit: Unit) -> Pass | None:
    """The pass in which the unit is inside a station now."""
    return list_open_passes().filter(unit=unit).first()


def list_open_passes() -> QuerySet[Pass]:
    """The passes of units inside stations now, each with how much its step asks to be read, whether rules choose
    samples among the units that pass it, whether something is fitted in the unit, and whether there is a hold on it or
    on the station."""
    children = Fitting.objects.filter(unit=OuterRef("unit"), child__isnull=False, until=None, superseded=None)
    asked = Characteristic.objects.filter(part=OuterRef("step__part"), step_number=OuterRef("step__number"))
    number = asked.order_by().values("step_number").annotate(number=Count("pk")).values("number")
    passes = Pass.objects.filter(inside=True, superseded=None)
    chosen = SampleRule.objects.filter(number=OuterRef("step__part__number"), step_number=OuterRef("step__number"))
    held = Exists(_holds_on("unit")) | Exists(_holds_on("station"))
    passes = passes.annotate(  # type: ignore[no-redef]
        measured=Coalesce(Subquery(number), 0), samples=Exists(chosen), has_children=Exists(children), on_hold=held
    )
    return passes.select_related("station", "step__program", "axis", "unit")


def _holds_on(kind: str) -> QuerySet[Hold]:
    return Hold.objects.filter(released=None, target_kind=kind, target_key=OuterRef(f"{kind}__key"))


def list_refused_scans(station: Station | None = None) -> QuerySet[RefusedScan]:
    """Scans that came late, were refused and are not settled yet: at one station, or everywhere."""
    here = {} if station is None else {"station": station}
    return RefusedScan.objects.filter(settled=None, **here)


def find_due_step(unit: Unit) -> Step | None:
    """The step of its route that is next for the unit, the first of several that may be, of those that it has neither
    passed nor skipped; None when it is finished."""
    return find_due_steps([unit]).get(unit.pk)


def find_due_steps(units: Sequence[Unit]) -> dict[int, Step]:
    """`find_due_step` of each unit that is not finished, in as many queries as there are parts."""
    return {unit: steps[0] for unit, steps in find_due_choices(units).items()}


def find_due_choices(units: Sequence[Unit]) -> dict[int, list[Step]]:
    """All the steps of which one is next, of each unit that is not finished."""
    routes = {part.pk: list_steps(part) for part in {unit.part for unit in units}}
    passed: dict[int, set[int]] = defaultdict(set)
    rows = Pass.objects.filter(unit__in=units, outcome=Pass.Outcome.PASSED, due_again=None, superseded=None)
    skips = Skip.objects.filter(unit__in=units, superseded=None)
    for unit, step in [*rows.values_list("unit", "step"), *skips.values_list("unit", "step")]:
        passed[unit].add(step)
    due = {unit.pk: list_due(routes[unit.part_id], passed[unit.pk]) for unit in units}
    return {unit: steps for unit, steps in due.items() if steps}


def find_last_failure(unit: Unit) -> Pass | None:
    """The last visit of a unit, if it failed in it."""
    visits = Pass.objects.filter(unit=unit, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    last = visits.select_related("step", "station").order_by("-began", "-pk").first()
    return last if last and last.outcome == Pass.Outcome.FAILED else None


def find_flaws(contents: dict[int, list[Unit]]) -> dict[int, tuple[str, str]]:
    """Per unit that is not fit to leave the floor: what is wrong, first with it, then with what is
    inside it, and what to do; an empty string where that depends on who asks.

    `contents` as `contents_of` has them. The number of queries does not grow with that of the units.
    """
    everything = [inner for inside in contents.values() for inner in inside]
    prefetch_related_objects(everything, "part")
    places, due, missing = places_of(everything), find_due_steps(everything), list_missing_children(everything)
    unknown, faults = list_unknown_children(everything), list_open_faults(everything)
    unsold = find_unsold(everything)
    flaws: dict[int, tuple[str, str]] = {}
    for top, inside in contents.items():
        for inner in inside:
            found = _Found(
                places.get(inner.pk, {}).get("inside_at", ""),
                [fault.words for fault in faults.get(inner.pk, ())],
                due.get(inner.pk),
                unknown.get(inner.pk, ()),
                missing[inner.pk],
                unsold.get(inner.pk),
            )
            if flaw := _say_flaw(inside[0], inner, found):
                flaws.setdefault(top, flaw)
    return flaws


@dataclass(frozen=True)
class _Found:
    """What was found of a unit: the station it is inside of, its open faults, the step that is due, the places of
    which nobody knows what is fitted, those that are empty; why it does not ship as new, for it is or was a sample, and
    what to do."""

    inside_at: str
    faults: Sequence[str]
    due: Step | None
    unknown: Sequence[str]
    missing: Sequence[tuple[str, str, int | None]]
    unsold: tuple[str, str] | None


def _say_stations(step: Step) -> str:
    return " or ".join(station.key for station in step.stations.all()) or "that step"


def _say_flaw(top: Unit, inner: Unit, found: _Found) -> tuple[str, str] | None:
    """Why a unit that is `top`, or inside it, may not leave the floor, and what to do; None where nothing is wrong."""
    name = inner.key if inner == top else f"{inner.key}, inside {top.key},"
    if inner.scrapped is not None:
        return f"{name} was scrapped.", "Put it in the scrap cage." if inner == top else f"Remove {inner.key} first."
    if found.inside_at:
        return f"{name} is still inside {found.inside_at}.", ""
    if found.faults:
        return f"{name} has an open fault: {', '.join(found.faults)}.", "Take it to repair first."
    if found.due:
        return f"{name} is not finished: step {found.due} is due.", f"Take it to {_say_stations(found.due)} first."
    if found.unknown:
        return f"Which unit is fitted in {name} at {found.unknown[0]} is not known.", SCAN_CHILD
    if found.missing:
        designator, part, _ = found.missing[0]
        return f"{name} still needs {part} at {designator}.", "Fit that first."
    if found.unsold:
        what, action = found.unsold
        return f"{name} {what}.", action
    return None


def list_parents(units: Iterable[Unit]) -> dict[int, list[Unit]]:
    """Per unit, the units that it is inside of now, from the nearest to the outermost: as many
    queries as they are deep."""
    parents: dict[int, list[Unit]] = {unit.pk: [] for unit in units}
    ends = {pk: pk for pk in parents}  # of each unit, how far up its chain is known
    while ends:
        homes = Fitting.objects.filter(child__in=set(ends.values()), until=None, superseded=None)
        home_of = {fitting.child_id: fitting.unit for fitting in homes.select_related("unit")}
        ends = {pk: end for pk, end in ends.items() if end in home_of}
        for pk, end in ends.items():
            parents[pk].append(home_of[end])
        ends = {pk: home_of[end].pk for pk, end in ends.items()}
    return parents


def lock_units(units: Iterable[Unit], *, parents: bool = False) -> list[Unit]:
    """The units locked in the fixed order, and with `parents` what they are inside of, so that
    nobody packs that meanwhile. For use inside operations."""
    wanted = list(units)
    ids = {unit.pk for unit in wanted}
    if parents:
        ids |= {parent.pk for chain in list_parents(wanted).values() for parent in chain}
    locked = Unit.objects.select_for_update(of=("self",)).select_related("part").filter(pk__in=ids).order_by("pk")
    asked = {unit.pk for unit in wanted}
    return [unit for unit in locked if unit.pk in asked]


def lock_station(station: Station) -> None:
    """At a one-at-a-time station each scan ends the pass before it: scans there wait for each other. Taken before every
    other row lock. Where the database has none, whoever writes is alone."""
    if station.scan_mode == ScanMode.ONE_AT_A_TIME and connection.features.has_select_for_update:
        lock_rows(Station, [station.pk])


def lock_units_at(station: Station | None, units: Iterable[Unit]) -> list[Unit]:
    """The units, locked after the station where they are scanned, as `lock_station` does, in one statement."""
    alone = station and station.scan_mode == ScanMode.ONE_AT_A_TIME
    return lock_rows(Unit, [unit.pk for unit in units], station if alone else None)


def find_last_known(units: Sequence[Unit]) -> dict[int, int]:
    """Per unit, the latest moment at which it surely was somewhere: made, scanned, fitted, taken out of
    a unit or of a carton."""
    known = {unit.pk: unit.created for unit in units}
    scans = Pass.objects.filter(unit__in=units, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    homes = Fitting.objects.filter(child__in=units, superseded=None)
    for rows in (
        scans.values_list("unit").annotate(Max("scanned_in"), Max("scanned_out")),
        homes.values_list("child").annotate(Max("since"), left=Max("until", filter=Q(doubted=None))),
        LooseSighting.objects.filter(unit__in=units).values_list("unit").annotate(Max("at")),
        Packing.objects.filter(unit__in=units).values_list("unit").annotate(Max("until")),
    ):
        for pk, *moments in rows:
            known[pk] = max(known[pk], *(moment or 0 for moment in moments))
    return known


def find_last_worked_on(contents: Mapping[int, Sequence[Unit]]) -> dict[int, int]:
    """Per unit, the last moment at which something was fitted or removed in it or in anything inside it, one of them
    was repaired, or brought to a later revision; else 0. `contents` as `contents_of` has them."""
    tops = {inner.pk: top for top, inside in contents.items() for inner in inside}
    worked_on = dict.fromkeys(contents, 0)
    for model, moment in ((Fitting, "since"), (Repair, "at"), (Conformity, "at")):
        rows = model._default_manager.filter(unit__in=tops, superseded=None).values_list("unit")
        for pk, last in rows.annotate(Max(moment)):
            worked_on[tops[pk]] = max(worked_on[tops[pk]], last)
    return worked_on
