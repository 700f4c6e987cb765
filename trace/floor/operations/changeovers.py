"""Changing what a station's feeds serve."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from trace.core.clock import OPEN, now, to_ticks
from trace.core.keys import clean_text, free_key
from trace.core.models import Person
from trace.engineering.models import Part, Station
from trace.floor.draws import passes_meeting, reckon_between
from trace.floor.models import FirstPiece, Pass, Unit
from trace.floor.scans import judge_by_designator
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.models import Axis, Feed, SetUp
from trace.material.operations.setups import SetUpRefused, serve_lines
from trace.material.queries import get_axis


@moving
def start_setup(
    *,
    key: str,
    station: Station,
    assembly: Part,
    feeds: Mapping[str, Feed],
    position: int | None = None,
    by: Person,
    at: datetime,
) -> SetUp:
    """Serve an assembly's designators from feeds of a station: {designator: feed}.

    A changeover ends the set-up of that assembly that ran before; what is on the feeds stays there
    with all its candidates. A pass that reaches across it may have drawn from either set-up, one that
    was recorded before it was and began after it from the new one. `position` is the machine's cycle count where
    the station counts. Refuses with SetUpRefused, WrongPart (what is loaded does not belong there),
    Held.
    """
    axis = Axis.objects.select_for_update(no_key=True).get(pk=get_axis(station).pk)
    check_moves(Move.LOAD, [station])
    if any(feed.axis_id != axis.pk for feed in feeds.values()):
        raise SetUpRefused(f"Every feed must stand at {station.key}.")
    position = _position(axis, position, at)
    before = SetUp.objects.select_for_update().filter(axis=axis, assembly=assembly).order_by("-end").first()
    if before and position < (before.first if before.end == OPEN else before.end):
        happened = "began" if before.end == OPEN else "ended"
        raise SetUpRefused(f"Set-up {before.key} {happened} after that.", action="Give the right moment.")
    if before and before.end == OPEN:
        _end(before, station, position)
    first = position if before else 0
    setup = SetUp.objects.create(
        key=free_key(SetUp, key), assembly=assembly, axis=axis, first=first, started=to_ticks(at), by=by
    )
    serve_lines(setup, assembly, {designator: (feed, None) for designator, feed in feeds.items()})
    _reckon_from(setup, position, by)
    return setup


@moving
def end_setup(*, setup: SetUp, position: int | None = None, by: Person, at: datetime) -> SetUp:
    """What serves an assembly at a station serves it no longer, so that its feeds can take what another needs. What
    is on them stays there. Until the next set-up of the assembly none of its units goes in.

    `position` as at `start_setup`. Refuses with SetUpRefused a tape's, one that has ended, and one under which a unit
    went in after that moment or is still inside.
    """
    axis = Axis.objects.select_for_update(no_key=True).get(pk=setup.axis_id)
    setup = SetUp.objects.select_for_update().select_related("assembly").get(pk=setup.pk)
    if axis.station is None:
        raise SetUpRefused(f"{setup.key} is a tape's.", action="Finish the tape, or give it up.")
    if setup.end != OPEN:
        raise SetUpRefused(f"Set-up {setup.key} has ended.", action="Nothing needs doing.")
    position = _position(axis, position, at)
    after = Pass.objects.filter(axis=axis, assembly=setup.assembly, first__gte=position, superseded=None)
    later = after.exclude(outcome=Pass.Outcome.VOID).select_related("unit").first()
    if position < setup.first or later:
        what = f"{later.unit.key} went in" if later else f"Set-up {setup.key} began"
        raise SetUpRefused(f"{what} after that.", action="Give the right moment.")
    _end(setup, axis.station, position)
    note(axis.station)
    _reckon_from(setup, position, by)
    return setup


@operation()
def approve_first_piece(*, setup: SetUp, unit: Unit, by: Person, at: datetime) -> FirstPiece:
    """The first piece after a changeover is right: the step goes on.

    Refuses with SetUpRefused a unit that did not go in, and come out, for a step that asks for it since the set-up
    began.
    """
    return _decide(setup, unit, by, at, approved=True)


@operation()
def reject_first_piece(*, setup: SetUp, unit: Unit, reason: str, by: Person, at: datetime) -> FirstPiece:
    """The first piece after a changeover is wrong: one more unit goes in, as the new first piece, and then none until
    that is approved. Takes an approval back, too. Refuses as `approve_first_piece`, and without a reason.
    """
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise SetUpRefused("Say what is wrong with it.", action="Give the reason in a sentence.")
    return _decide(setup, unit, by, at, approved=False, reason=reason)


def _decide(setup: SetUp, unit: Unit, by: Person, at: datetime, *, approved: bool, reason: str = "") -> FirstPiece:
    setup = SetUp.objects.select_for_update().get(pk=setup.pk)
    moment = to_ticks(at)
    passes = Pass.objects.filter(unit=unit, axis=setup.axis_id, assembly=setup.assembly_id, superseded=None)
    came = passes.filter(step__first_piece=True, inside=False, began__lte=moment)
    entry = came.exclude(outcome=Pass.Outcome.VOID).order_by("-began", "-id").first()
    scans = [scan for scan in (entry.scanned_in, entry.scanned_out) if scan is not None] if entry else []
    if entry is None or not scans or not setup.started <= scans[0] <= scans[-1] <= moment:
        raise SetUpRefused(
            f"{unit.key} has not gone in and come out for a step with a first piece since {setup.key} began.",
            action="Scan the unit out first, or scan the one that went first.",
        )
    note(setup, unit, entry.station)
    return FirstPiece.objects.create(
        setup=setup,
        step_id=entry.step_id,
        unit=unit,
        approved=approved,
        reason=reason,
        happened=moment,
        by=by,
        recorded=to_ticks(now()),
    )


def _position(axis: Axis, position: int | None, at: datetime) -> int:
    if axis.kind == Axis.Kind.CLOCK:
        return to_ticks(at)
    if position is None:
        raise SetUpRefused("This station counts cycles.", action="Enter the machine's cycle count.")
    if not 0 <= position < OPEN:
        raise SetUpRefused("No machine counts to there.", action="Enter the machine's cycle count.")
    return position


def _end(setup: SetUp, station: Station, position: int) -> None:
    """Refuses with SetUpRefused while a unit is inside."""
    inside = Pass.objects.filter(axis=setup.axis_id, assembly=setup.assembly_id, inside=True, superseded=None)
    if entry := inside.select_related("unit").first():
        raise SetUpRefused(
            f"{entry.unit.key} is still inside {station.key}.", action="Scan it out before the changeover."
        )
    setup.end, setup.ended = position, to_ticks(now())
    setup.save(update_fields=["end", "ended"])


def _reckon_from(setup: SetUp, position: int, by: Person) -> None:
    reaching = Pass.objects.filter(passes_meeting(setup.axis, position), assembly=setup.assembly, superseded=None)
    judge_by_designator(reaching.values("unit"))  # of what the old one did not serve they may have had some before
    reckon_between([setup.axis_id], [setup.assembly_id], position, OPEN, by)
