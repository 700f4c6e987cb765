"""Scanning racks and panels: their units go through stations together. What each is: `Carrier`.

An operation on many is one event, which names those that stayed behind; so does its answer, when it is repeated too.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from trace.core.clock import EXACT, to_error, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.equipment import Equipment
from trace.engineering.models import Station
from trace.floor.admission import Admission, admit
from trace.floor.carrying import RackRefused, find_inside_with, leave_racks, list_carried, lock_carrier
from trace.floor.leaving import judge_leaving_together
from trace.floor.models import Carried, Carrier, LeftBehind, Pass, Unit
from trace.floor.operations.passes import want_entered, want_positions, want_setup, write_passes
from trace.floor.queries import lock_station, lock_units
from trace.floor.rules import Stopped, stop
from trace.floor.scans import PassRefused, close_passes, neighbour_scan
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import SetUp


@moving
def start_carrier(
    *,
    carrier: Carrier,
    station: Station,
    position: tuple[int, int] | None = None,
    setup: SetUp | None = None,
    equipment: Equipment | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Carrier:
    """All units of a rack or panel go into a station for the steps that are due, each as `start_pass` lets it.

    Of a rack, those that the interlock stops stay behind: they leave it, and the answer names each with all that stops
    it. `position` are the board sets or cycle counts of the whole carrier, from the first to the last: each unit has
    its own of them where the carrier is ordered, else all share them. Refuses with Stopped where nobody goes, or not
    every board of a panel; with RackRefused, PassRefused.
    """
    scan, doubt = to_ticks(at), to_error(error)
    want_positions([position] if position else [], station, setup)
    standing = _load(carrier, station, setup)
    admissions, behind, told = _admit(
        carrier, standing, station, [Move.START], scan, setup, position, by, doubt, equipment=equipment
    )
    write_passes(admissions, station, by, scanned_in=scan, **told)
    return _answer(carrier, standing, [one.unit for one in admissions], behind, at)


@moving
def pass_carrier(
    *,
    carrier: Carrier,
    station: Station,
    failed: Sequence[Unit] = (),
    aborted: Sequence[Unit] = (),
    entered: datetime | None = None,
    position: tuple[int, int] | None = None,
    setup: SetUp | None = None,
    equipment: Equipment | None = None,
    drew: str | None = None,
    only: Sequence[str] | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Carrier:
    """All units of a rack or panel went through a station's due steps: passed, but for those named `failed` or
    `aborted`; known by one scan at the end, or by `entered` too, as in `record_passes`.

    Whoever the interlock stops is named in the answer, and leaves a rack: without a pass, or, where it has drawn all
    the same, with one that was aborted. `position` as in `start_carrier`; since nobody knows whether those without a
    pass had one, what is left of them is shared. Refuses with Stopped where nobody went, or not every board of a panel;
    with RackRefused, PassRefused.
    """
    want_positions([position] if position else [], station, setup)
    want_entered(station, entered, at)
    standing = _load(carrier, station, setup)
    others = _outcomes(carrier, [one.unit_id for one in standing], failed, aborted)
    scanned_in, scanned_out, doubt = to_ticks(entered) if entered else None, to_ticks(at), to_error(error)
    scan = scanned_out if scanned_in is None else scanned_in
    admissions, behind, told = _admit(
        carrier, standing, station, [Move.START, Move.FINISH], scan, setup, position, by, doubt,
        equipment=equipment, after_work=True, visit=(scanned_in, scanned_out + doubt), not_passing=others,
    )  # fmt: skip
    write_passes(
        admissions,
        station,
        by,
        scanned_in=scanned_in,
        scanned_out=scanned_out,
        outcome=Pass.Outcome.PASSED,
        others=others,
        drew=drew,
        only=only,
        **told,
    )
    behind |= {one.unit.pk: list(one.stopped) for one in admissions if one.stopped}
    return _answer(carrier, standing, [one.unit for one in admissions], behind, at)


@moving
def finish_carrier(
    *,
    carrier: Carrier,
    failed: Sequence[Unit] = (),
    aborted: Sequence[Unit] = (),
    drew: str | None = None,
    only: Sequence[str] | None = None,
    error: timedelta = EXACT,
    by: Person,
    at: datetime,
) -> Carrier:
    """The units of a rack or panel that went into a station with it come out: passed, but for those named `failed` or
    `aborted`. `drew` and `only` as in `finish_pass`.

    Those that a hold or their readings stop stay inside, and leave a rack. Refuses with Stopped where that is so of
    everybody, or of a board of a panel; with RackRefused where none is inside; with PassRefused.
    """
    stations = Station.objects.filter(pk__in=find_inside_with(carrier).values("station"))
    for station in stations.order_by("pk"):
        lock_station(station)
    standing = _load(carrier)
    by_unit = {one.unit_id: one.unit for one in standing}
    inside = list(find_inside_with(carrier).filter(unit__in=by_unit))
    if not inside:
        raise RackRefused(f"Nothing in {carrier.key} is inside a station.", action="Scan it in first.")
    others = _outcomes(carrier, [entry.unit_id for entry in inside], failed, aborted)
    scan, doubt = to_ticks(at), to_error(error)
    outcomes = {entry.unit_id: others.get(entry.unit_id, Pass.Outcome.PASSED) for entry in inside}
    for entry in inside:
        entry.unit = by_unit[entry.unit_id]
    behind = judge_leaving_together(inside, outcomes, scan, doubt, by)
    if behind and (carrier.goes_as_one or len(behind) == len(inside)):
        raise stop([refusal for stopped in behind.values() for refusal in stopped])
    going = [entry for entry in inside if entry.unit_id not in behind]
    close_passes(going, outcomes, scan, by, error=doubt, drew=drew, only=only)
    note(*{entry.station for entry in inside})
    return _answer(carrier, standing, [by_unit[entry.unit_id] for entry in inside], behind, at)


def _admit(
    carrier: Carrier,
    standing: Sequence[Carried],
    station: Station,
    moves: Sequence[Move],
    scan: int,
    setup: SetUp | None,
    position: tuple[int, int] | None,
    by: Person,
    doubt: int,
    **more: Any,
) -> tuple[list[Admission], dict[int, list[Stopped]], dict[str, Any]]:
    """(who of a carrier goes in, who stays behind and why, what is told of those that go to `write_passes`)."""
    units = [one.unit for one in standing]
    neighbour = neighbour_scan(station, scan, by, units=units, error=doubt)
    behind: dict[int, list[Stopped]] = {}
    admissions = admit(
        units, station, moves, scan, setup, position and [position],
        by=by, error=doubt, carrier=carrier, behind=None if carrier.goes_as_one else behind, **more,
    )  # fmt: skip
    positions = _share(position, len(admissions), carrier)
    return admissions, behind, {"rack": carrier.key, "neighbour": neighbour, "error": doubt, "positions": positions}


def _load(carrier: Carrier, station: Station | None = None, setup: SetUp | None = None) -> list[Carried]:
    """What goes with a carrier, in the order of its slots, everything locked. A board that was scrapped stays in its
    panel, and does not count."""
    if station:
        lock_station(station)
    carrier = lock_carrier(carrier)
    locked = {unit.pk: unit for unit in lock_units([one.unit for one in list_carried(carrier)])}
    standing = [one for one in list_carried(carrier) if one.unit_id in locked]
    for one in standing:
        one.unit = locked[one.unit_id]
    standing = [one for one in standing if not carrier.goes_as_one or one.unit.scrapped is None]
    if not standing:
        raise RackRefused(f"Nothing is in {carrier.key}.", action="Put units into it with a record first.")
    if station:
        want_setup(setup, station, [one.unit for one in standing])
    return standing


def _share(position: tuple[int, int] | None, units: int, carrier: Carrier) -> list[tuple[int, int]] | None:
    """The positions of each of so many units, of those of them all. In order, each has room left for those before and
    behind it; what is over, nobody knows whose it was."""
    if position is None:
        return None
    first, last = position
    if not carrier.ordered:
        return [position] * units
    if last - first + 1 < units:
        raise PassRefused(
            f"{units} units go in order, and {last - first + 1} positions were given.",
            action="Enter the first and the last board set or cycle count of them all.",
        )
    return [(first + index, last - (units - 1 - index)) for index in range(units)]


def _outcomes(
    carrier: Carrier, going: Collection[int], failed: Sequence[Unit], aborted: Sequence[Unit]
) -> dict[int, str]:
    """{unit id: outcome} of those that did not simply pass, of the units `going` with it."""
    others = {unit.pk: str(Pass.Outcome.FAILED) for unit in failed}
    others |= {unit.pk: str(Pass.Outcome.ABORTED) for unit in aborted}
    missing = [unit.key for unit in [*failed, *aborted] if unit.pk not in going]
    if missing:
        raise RackRefused(
            f"{', '.join(missing)}: not in {carrier.key}, or did not go in with it.", action="Scan what is in it."
        )
    if len(others) < len(failed) + len(aborted):
        raise RackRefused("A unit is named twice, or as failed and as aborted.")
    return others


def _answer(
    carrier: Carrier,
    standing: Sequence[Carried],
    gone: Sequence[Unit],
    behind: Mapping[int, Sequence[Refusal]],
    at: datetime,
) -> Carrier:
    """The carrier with who went and who did not, which the event keeps. Of a rack they are taken out."""
    carrier = Carrier.objects.get(pk=carrier.pk)
    carrier.went = [unit.key for unit in gone if unit.pk not in behind]
    carrier.behind = [
        LeftBehind(one.unit.key, one.slot, list(behind[one.unit_id])) for one in standing if one.unit_id in behind
    ]
    if not carrier.goes_as_one:
        leave_racks([one.unit for one in standing if one.unit_id in behind], at)
    note(
        *(one.unit for one in standing),
        went=carrier.went,
        behind={one.unit: [refusal.message for refusal in one.refusals] for one in carrier.behind},
    )
    return carrier
