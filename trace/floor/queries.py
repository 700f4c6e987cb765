"""Reading the floor: units, where they are, what they still need."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from django.db.models import Max, Q, prefetch_related_objects

from trace.core.errors import NotFound
from trace.engineering.models import Step
from trace.engineering.queries import list_steps
from trace.floor.admission import list_missing_children, list_unknown_children, places_of
from trace.floor.models import Fitting, LooseSighting, Packing, Pass, Skip, Unit
from trace.floor.rules import SCAN_CHILD, list_due


def get_unit(key: str) -> Unit:
    """The unit of a serial, or NotFound."""
    unit = Unit.objects.select_related("part", "order").filter(key=key).first()
    if unit is None:
        raise NotFound(f"No unit has the serial {key}.")
    return unit


def get_open_pass(unit: Unit) -> Pass | None:
    """The pass in which the unit is inside a station now."""
    return (
        Pass.objects.select_related("station", "step", "axis").filter(unit=unit, inside=True, superseded=None).first()
    )


def find_due_step(unit: Unit) -> Step | None:
    """The step of its route that is next for the unit, the first of several that may be, of those that it has neither
    passed nor skipped; None when it is finished."""
    return find_due_steps([unit]).get(unit.pk)


def find_due_steps(units: Sequence[Unit]) -> dict[int, Step]:
    """`find_due_step` of each unit that is not finished, in as many queries as there are parts."""
    routes = {part.pk: list_steps(part) for part in {unit.part for unit in units}}
    passed: dict[int, set[int]] = defaultdict(set)
    rows = Pass.objects.filter(unit__in=units, outcome=Pass.Outcome.PASSED, superseded=None)
    skips = Skip.objects.filter(unit__in=units, superseded=None)
    for unit, step in [*rows.values_list("unit", "step"), *skips.values_list("unit", "step")]:
        passed[unit].add(step)
    due = {unit.pk: list_due(routes[unit.part_id], passed[unit.pk]) for unit in units}
    return {unit: steps[0] for unit, steps in due.items() if steps}


def find_flaws(contents: dict[int, list[Unit]]) -> dict[int, tuple[str, str]]:
    """Per unit that is not fit to leave the floor: what is wrong, first with it, then with what is
    inside it, and what to do; an empty string where that depends on who asks.

    `contents` as `contents_of` has them. The number of queries does not grow with that of the units.
    """
    everything = [inner for inside in contents.values() for inner in inside]
    prefetch_related_objects(everything, "part")
    places, due, missing = places_of(everything), find_due_steps(everything), list_missing_children(everything)
    unknown = list_unknown_children(everything)
    flaws: dict[int, tuple[str, str]] = {}
    for top, inside in contents.items():
        for inner in inside:
            name = inner.key if inner.pk == top else f"{inner.key}, inside {inside[0].key},"
            if inner.scrapped is not None:
                action = "Put it in the scrap cage." if inner.pk == top else f"Remove {inner.key} first."
                flaws.setdefault(top, (f"{name} was scrapped.", action))
            elif station := places.get(inner.pk, {}).get("inside_at"):
                flaws.setdefault(top, (f"{name} is still inside {station}.", ""))
            elif step := due.get(inner.pk):
                flaws.setdefault(top, (f"{name} is not finished: step {step} is due.", "Take it there first."))
            elif unknown.get(inner.pk):
                flaws.setdefault(
                    top, (f"Which unit is fitted in {name} at {unknown[inner.pk][0]} is not known.", SCAN_CHILD)
                )
            elif missing[inner.pk]:
                designator, part, _ = missing[inner.pk][0]
                flaws.setdefault(top, (f"{name} still needs {part} at {designator}.", "Fit that first."))
    return flaws


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
