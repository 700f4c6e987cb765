"""Passes and the set-ups they drew from."""

from __future__ import annotations

from collections.abc import Iterable

from trace.core.clock import now, to_ticks
from trace.core.models import Person
from trace.floor.draws import reckon_after
from trace.floor.models import Pass, Unit
from trace.ledger.operation import note
from trace.material.models import Axis, SetUp


def spread_over_setups(passes: Iterable[Pass], by: Person) -> None:
    """Put passes under the set-ups that their ranges meet. For use inside operations.

    One set-up: the pass drew from that. Several, because the range reaches across a changeover: it
    may have drawn from each, so it gets a row under each, all unsure.
    """
    drawing = [
        p for p in passes if p.axis and p.axis.kind != Axis.Kind.TAPE and p.drew != Pass.Drew.NONE and not p.inside
    ]
    if not drawing:
        return
    setups = [
        setup
        for setup in SetUp.objects.filter(
            axis__in={p.axis_id for p in drawing},
            assembly__in={p.unit.part_id for p in drawing},
            first__lte=max(p.last for p in drawing),
            end__gt=min(p.first for p in drawing),
        )
        if setup.end > setup.first
    ]
    if {(s.axis_id, s.assembly_id, s.pk) for s in setups} == {(p.axis_id, p.unit.part_id, p.setup_id) for p in drawing}:
        return
    standing = _standing(drawing)
    recorded = to_ticks(now())
    gone, again = [], []
    for entry in drawing:
        met = [
            setup.pk
            for setup in setups
            if (setup.axis_id, setup.assembly_id) == (entry.axis_id, entry.unit.part_id)
            and setup.first <= entry.last
            and setup.end > entry.first
        ]
        fresh = [pk for pk in met if pk not in standing[_visit(entry)]]
        if not met or entry.setup_id in met and not fresh:
            continue
        gone.append(entry)
        drew = entry.drew if len(met) == 1 else Pass.Drew.UNSURE
        kept = [entry.setup_id] if entry.setup_id in met else []
        again += [_copy(entry, recorded, setup, drew) for setup in (*kept, *fresh)]
    Pass.objects.filter(pk__in=[entry.pk for entry in gone]).update(superseded=recorded)
    Pass.objects.bulk_create(again)
    units = {entry.unit_id for entry in again if entry.drew != Pass.Drew.ALL}
    Unit.objects.filter(pk__in=units, by_designator=False).update(by_designator=True)
    note(*(entry.unit for entry in gone))
    reckon_after([*gone, *again], by)


def _visit(entry: Pass) -> tuple[int | None, ...]:
    """What tells one visit from another, whatever set-up its rows are under."""
    return entry.unit_id, entry.step_id, entry.began, entry.scanned_in, entry.scanned_out


def _standing(entries: Iterable[Pass]) -> dict[tuple[int | None, ...], set[int | None]]:
    """Per visit, the set-ups under which it stands."""
    rows = Pass.objects.filter(unit__in={entry.unit_id for entry in entries}, superseded=None)
    found: dict[tuple[int | None, ...], set[int | None]] = {}
    for row in rows:
        found.setdefault(_visit(row), set()).add(row.setup_id)
    return found


def _copy(entry: Pass, recorded: int, setup: int | None, drew: str) -> Pass:
    """The pass as it is believed from now on."""
    values = {field.attname: getattr(entry, field.attname) for field in Pass._meta.concrete_fields}
    return Pass(**{**values, "id": None, "recorded": recorded, "superseded": None, "setup_id": setup, "drew": drew})
