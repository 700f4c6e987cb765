"""Passes: a unit into a station and out of it, singly or a rack at a time.

`error` and `sheet` are as at feeds: within how much the times are known, and the paper sheet of the
station whose next line it is.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

from trace.core.clock import EXACT, OPEN, now, to_error, to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.core.sql import create_rows
from trace.engineering.equipment import Equipment
from trace.engineering.models import ScanMode, Station
from trace.floor.admission import Admission, admit
from trace.floor.bounds import draw_bounds
from trace.floor.deviating import record_deviated
from trace.floor.draws import length_class, reckon_after
from trace.floor.evidence import scan_elsewhere
from trace.floor.leaving import judge_leaving, outcome_of
from trace.floor.models import Carrier, Pass, Unit
from trace.floor.paper import find_doer
from trace.floor.queries import get_open_pass, list_open_passes, lock_units_at
from trace.floor.rules import STARTING, stop
from trace.floor.samples import owe_samples
from trace.floor.scans import (
    BATCH,
    PassRefused,
    bound_by_scan,
    close_pass,
    hasty,
    judge_by_designator,
    neighbour_scan,
    want_drawn,
)
from trace.floor.sheets import clean_sheet, next_line, place
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import Axis, SetUp
from trace.material.queries import get_axis


@moving
def start_pass(
    *,
    unit: Unit,
    station: Station,
    position: tuple[int, int] | None = None,
    setup: SetUp | None = None,
    equipment: Equipment | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Pass:
    """A unit goes into a station for the step that is due.

    `setup` names a tape's set-up and `position` the board set, or the machine's cycle counts; on
    the clock neither is given. `equipment` is what does the step, to be said where several of a kind stand
    there. At a one-at-a-time station the scan also lets out the unit before.
    Refuses with Stopped (the interlock), PassRefused.
    """
    scan = to_ticks(at)
    want_positions([position] if position else [], station, setup)
    locked = lock_units_at(station, [unit])
    want_setup(setup, station, locked)
    doubt = to_error(error)
    neighbour = neighbour_scan(station, scan, by, units=locked, error=doubt)
    (admission,) = admit(
        locked, station, [Move.START], scan, setup, position and [position], by=by, equipment=equipment, error=doubt
    )
    (entry,) = write_passes(
        [admission], station, by, scanned_in=scan, error=doubt, positions=position and [position], neighbour=neighbour
    )
    return entry


@moving
def finish_pass(
    *,
    unit: Unit,
    station: Station | None = None,
    outcome: str = Pass.Outcome.PASSED,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    doer: Person | None = None,
    by: Person,
    at: datetime,
) -> Pass:
    """The unit comes out of the station it is inside; `station` says where it was scanned out.

    What an aborted pass drew is unsure unless `drew` or `only` (the designators) says it. `sheet` and `doer` as in
    `record_passes`; the pass stays that of whoever scanned it in.
    Refuses with PassRefused when it is inside nowhere, inside another station, or the time is before it went in;
    with Stopped when held, or when it is to pass and what the step asks was not read in this visit, or is not good;
    with SheetRefused, DoerRefused.
    """
    by = find_doer(doer, by, at)
    before = station or (found.station if (found := get_open_pass(unit)) else None)
    (unit,) = lock_units_at(before, [unit])
    inside = get_open_pass(unit)
    if inside is None:
        raise PassRefused(f"{unit.key} is not inside any station.", action="Scan it in first.")
    if station and inside.station != station:
        raise PassRefused(
            f"{unit.key} is inside {inside.station.key}, not {station.key}.", action="Scan it out where it is."
        )
    inside.unit = unit
    want_outcome(outcome)
    want_whole_panels([inside])
    scan = to_ticks(at)
    if sheet and inside.station.scan_mode != ScanMode.LOOSE:
        axis = get_axis(inside.station)
        if sheet := clean_sheet(sheet, axis):
            inside.sheet, (scan, _) = sheet, next_line(axis, sheet, scan)
    if stopped := judge_leaving(inside, outcome, scan, to_error(error), by):
        raise stop(stopped)
    close_pass(inside, outcome, scan, by, error=to_error(error), drew=drew, only=only)
    note(inside.station)
    return inside


@moving
def record_passes(
    *,
    units: Sequence[Unit],
    station: Station,
    outcome: str = Pass.Outcome.PASSED,
    entered: datetime | None = None,
    positions: Sequence[tuple[int, int]] | None = None,
    setup: SetUp | None = None,
    equipment: Equipment | None = None,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    rack: str = "",
    error: timedelta = EXACT,
    sheet: str = "",
    doer: Person | None = None,
    by: Person,
    at: datetime,
) -> list[Pass]:
    """Units that went through a station's due step, known by one scan at its end (and by `entered`
    where it scans both): one unit, or a rack of them that shares the range.

    `positions` gives each unit its own board set or cycle counts, in the order of the units; `equipment` is as in
    `start_pass`. A line of a
    `sheet` is a unit or a rack of them; at a loose station it proves no more than a scan. `doer` is who did the work,
    where somebody else enters what was written down: the passes are theirs, the entry is of who enters it.

    A unit that the interlock stops for its material, its children, who did it, its readings or a hold has drawn all the
    same: its pass is recorded as aborted, or as failed where a reading is outside its limits, and its `stopped` says
    why. It has not passed; the step stays due. What it drew is sure, but at a loose station, where the rest may not
    have been drawn.
    All or none. Refuses with Stopped (every other rule), PassRefused, SheetRefused, DoerRefused; at most BATCH at a
    time.
    """
    return pass_through(
        units, station, outcome, positions, entered, setup, equipment,
        drew, only, rack, error, sheet,
        by=find_doer(doer, by, at), at=at,
    )  # fmt: skip


def pass_through(
    units: Sequence[Unit],
    station: Station,
    outcome: str = Pass.Outcome.PASSED,
    positions: Sequence[tuple[int, int]] | None = None,
    entered: datetime | None = None,
    setup: SetUp | None = None,
    equipment: Equipment | None = None,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    rack: str = "",
    error: timedelta = EXACT,
    sheet: str = "",
    *,
    by: Person,
    at: datetime,
) -> list[Pass]:
    """What `record_passes` does, for other operations that record passes too."""
    if not 0 < len(units) <= BATCH:
        raise PassRefused(f"Between 1 and {BATCH} units can pass together, not {len(units)}.")
    want_outcome(outcome)
    if positions is not None and len(positions) != len(units):
        raise PassRefused("Give each unit its own position, or none.")
    want_positions(positions or [], station, setup)
    want_entered(station, entered, at)
    if len({unit.pk for unit in units}) < len(units):
        raise PassRefused("A unit is named twice.")
    rack = clean_text(rack, 40, "The rack")
    locked = {unit.pk: unit for unit in lock_units_at(station, units)}
    want_setup(setup, station, locked.values())
    scanned_in, scanned_out = to_ticks(entered) if entered else None, to_ticks(at)
    doubt, before = to_error(error), 0
    sheet = clean_sheet(sheet, get_axis(station)) if sheet and station.scan_mode != ScanMode.LOOSE else ""
    if sheet:
        scanned_out, before = next_line(get_axis(station), sheet, scanned_out)
    ordered = [locked[unit.pk] for unit in units]
    neighbour = neighbour_scan(station, scanned_in or scanned_out, by, units=ordered, error=doubt, sheet=sheet)
    return write_passes(
        admit(
            ordered,
            station,
            [Move.START, Move.FINISH],
            scanned_in or scanned_out,
            setup,
            positions,
            by=by,
            equipment=equipment,
            error=doubt,
            after_work=True,
            visit=(scanned_in, scanned_out + doubt) if outcome == Pass.Outcome.PASSED else None,
        ),
        station,
        by,
        scanned_in=scanned_in,
        scanned_out=scanned_out,
        error=doubt,
        sheet=(sheet, before),
        outcome=outcome,
        positions=positions,
        drew=drew,
        only=only,
        rack=rack,
        neighbour=neighbour,
    )


def want_positions(positions: Collection[tuple[int, int]], station: Station, setup: SetUp | None) -> None:
    if not all(0 <= first <= last < OPEN for first, last in positions):
        raise PassRefused("The position runs backwards or lies outside the axis.")
    if positions and setup is None and not station.counts_cycles:
        raise PassRefused(
            f"{station.key} goes by the clock: it takes no position.",
            action="Scan the tape, or leave the position out.",
        )


def want_entered(station: Station, entered: datetime | None, at: datetime) -> None:
    if station.scan_mode == ScanMode.GATED and entered is None:
        raise PassRefused(
            f"{station.key} is gated: a pass there needs the scan in as well.",
            action="Scan in before and out after the work.",
        )
    if entered and entered > at:
        raise PassRefused("The scan in lies after the scan out.")


def want_whole_panels(inside: Iterable[Pass], out: Collection[int] = ()) -> None:
    """Refuse with PassRefused to let boards out by themselves that went in with a panel which is not parted: `out` are
    the units, by their ids, that come out together."""
    if not (racks := {entry.rack for entry in inside if entry.rack}):
        return
    panels = Carrier.objects.filter(key__in=racks, kind=Carrier.Kind.PANEL, parted=None)
    left = list_open_passes().filter(rack__in=panels.values("key")).exclude(unit__in=out)
    if entry := left.select_related("unit").first():
        raise PassRefused(f"{entry.unit.key} went in with panel {entry.rack}.", action="Scan the panel out.")


def want_outcome(outcome: str) -> None:
    if outcome not in {Pass.Outcome.PASSED, Pass.Outcome.FAILED, Pass.Outcome.ABORTED}:
        raise PassRefused(f"“{outcome}” is not an outcome.", action="Say passed, failed or aborted.")


def want_setup(setup: SetUp | None, station: Station, units: Iterable[Unit]) -> None:
    for unit in units:
        if setup and setup.assembly_id != unit.part_id:
            raise PassRefused(f"Set-up {setup.key} is for another assembly than {unit.key}.", action="Scan its tape.")
    if setup and setup.axis.tape_id is None:
        raise PassRefused(f"Set-up {setup.key} is a station's, not a tape's.", action="Scan the tape, or nothing.")


def _reaches_across(setup: SetUp | None, entry: Pass) -> bool:
    """Whether a pass may have drawn under a set-up before this one, or after it."""
    return setup is not None and (entry.first < setup.first or setup.end < OPEN and setup.end <= entry.last)


def write_passes(
    admissions: Sequence[Admission],
    station: Station,
    by: Person,
    *,
    scanned_in: int | None = None,
    scanned_out: int | None = None,
    outcome: str = "",
    others: Mapping[int, str] = MappingProxyType({}),
    positions: Sequence[tuple[int, int]] | None = None,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    rack: str = "",
    neighbour: tuple[int | None, bool] = (None, False),
    error: int = 0,
    sheet: tuple[str, int] = ("", 0),
) -> list[Pass]:
    """Write passes with the bounds that their scans prove, and bound what waited for these scans.

    `others`: units, by their ids, that came to another outcome than the rest. `sheet`: the name of the paper sheet,
    and the moment of the line before.
    """
    units = [admission.unit for admission in admissions]
    scan = scanned_in if scanned_in is not None else scanned_out
    assert scan is not None
    if any(visit.ended > scan + error for admission in admissions for visit in admission.visits):
        bound_by_scan(units, scan, by, station, error)
    recorded = to_ticks(now())
    for setup in {a.setup for a in admissions} if only is not None else {admissions[0].setup}:
        want_drawn(drew, only, [setup] if setup else [])
    if stopped := {a.unit.key: [refusal.message for refusal in a.stopped] for a in admissions if a.stopped}:
        note(stopped=stopped)
    record_deviated([one for a in admissions for one in a.deviated], scan, by, recorded)
    passes = []
    for index, admission in enumerate(admissions):
        unit, setup = admission.unit, admission.setup
        began, ended = draw_bounds(
            mode=station.scan_mode,
            scanned_in=None if scanned_in is None else scanned_in - error,
            scanned_out=None if scanned_out is None else scanned_out + error,
            unit_before=scan_elsewhere(unit, admission.visits, station, scan - error),
            neighbour=neighbour[0],
            in_batch=neighbour[1] or hasty(station, scanned_in, scanned_out, error),
        )
        axis = setup.axis if setup else None
        first, last = began, ended
        if axis and axis.kind == Axis.Kind.CLOCK:
            line = (min(max(began, sheet[1] + 1), scanned_out), scanned_out) if sheet[0] and scanned_out else None
            first, last = place(axis, began, ended, sheet=sheet[0], line=line, error=error)
        elif axis:
            if positions is None:
                raise PassRefused(
                    f"{station.key} draws by {axis.get_kind_display()}, and none was given.",
                    action="Enter the board set or the cycle count.",
                )
            first, last = positions[index]
        came_to = others.get(unit.pk, outcome)
        stopped_before = any(refusal.extra["rule"] in STARTING for refusal in admission.stopped)
        halfway = came_to == Pass.Outcome.ABORTED or (stopped_before and station.scan_mode == ScanMode.LOOSE)
        unsure = drew is None and only is None and (admission.repeated or halfway)
        passes.append(
            Pass(
                unit=unit,
                step_id=admission.step.pk,
                station=station,
                equipment_id=admission.equipment,
                assembly_id=unit.part_id,
                axis=axis,
                first=first,
                last=last,
                length_class=length_class(first, last),
                began=began,
                ended=ended,
                scanned_in=scanned_in,
                scanned_out=scanned_out,
                inside=not outcome,
                drew=Pass.Drew.UNSURE if unsure else drew or Pass.Drew.ALL,
                only=None if only is None else list(only),
                outcome=outcome_of(came_to, admission.stopped),
                due_again=admission.due_again,
                rack=rack,
                error=error,
                sheet=sheet[0],
                by=by,
                recorded=recorded,
                closed=recorded if outcome else None,
            )
        )
    create_rows(passes)
    for entry, admission in zip(passes, admissions, strict=True):
        entry.stopped = admission.stopped
    in_part = [
        entry.unit_id
        for entry, admission in zip(passes, admissions, strict=True)
        if admission.repeated
        or admission.refilling
        or _reaches_across(admission.setup, entry)
        or drew is not None
        or only is not None
        or entry.drew != Pass.Drew.ALL
    ]
    if in_part:
        judge_by_designator(in_part)
    reckon_after(passes, by)
    samples = {admission.step.pk for admission in admissions if admission.step.samples}
    if samples:
        owe_samples([one for one in passes if one.step_id in samples and one.outcome == Pass.Outcome.PASSED], by)
    return passes
