"""Tapes on insertion machines: they go on by scan, at a board set, and come off again."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Q

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Part, Station, Step
from trace.floor.tapes import find_mount, find_next_board_set, list_giving_yet
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import Feed, Mount, SetUpLine, Tape
from trace.material.operations.setups import MOST


class MountRefused(Refusal):
    """A tape can't be mounted or taken off as asked."""

    code = "mount-refused"
    action = "Check the labels of tape and machine, and scan again."


@moving
def mount_tape(
    *,
    tape: Tape,
    station: Station,
    assembly: Part,
    board_set: int,
    reason: str = "",
    by: Person,
    at: datetime,
) -> Mount:
    """A tape goes on an insertion machine that builds an assembly; `board_set` is the next one, as read on the tape.

    Refuses with MountRefused a tape for another revision, one that is not finished or was given up, is mounted
    already, or has no board set left; a machine that has another tape on it, or does not insert these designators; a
    moment at which the tape was not finished, or it or the machine was mounted otherwise until later; a
    board set that was drawn before, and without a `reason` one that is not the next. With Held: the machine, the tape,
    its heads, or what is on the rest of it.
    """
    tape = Tape.objects.select_for_update(of=("self",)).select_related("assembly").get(pk=tape.pk)
    reason = clean_text(reason, 300, "The reason")
    _check_tape(tape, assembly)
    _check_machine(tape, station)
    _check_moment(tape, station, to_ticks(at))
    following = find_next_board_set(tape)
    if following >= tape.board_sets:
        raise MountRefused(f"All {tape.board_sets} board sets of {tape.key} are used.", action="Take another tape.")
    if not 0 <= board_set < tape.board_sets:
        raise MountRefused(f"Tape {tape.key} has no board set {board_set}.", action="Read it on the tape again.")
    if board_set < following:
        raise MountRefused(
            f"By the record the next board set of {tape.key} is {following}, not {board_set}.",
            action="Read it again. If the tape is right, a supervisor corrects the count of its board sets first.",
        )
    if board_set > following and not reason:
        raise MountRefused(
            f"By the record the next board set of {tape.key} is {following}: {board_set - following} would be skipped.",
            action="Read it again, or say why they are skipped.",
        )
    containers = list_giving_yet(tape, board_set)
    heads = Feed.objects.filter(axis__tape=tape)
    check_moves(Move.LOAD, [station, tape, *heads, *containers, *(one.lot for one in containers)])
    note(tape, station)
    return Mount.objects.create(tape=tape, station=station, first=board_set, since=to_ticks(at), reason=reason, by=by)


@moving
def take_off_tape(*, tape: Tape, board_set: int, by: Person, at: datetime) -> Mount:
    """A tape comes off its machine; `board_set` is the next one, as read on it. Where the boards that were drawn say
    another, the event tells so: the count slipped, and is to be corrected.

    Refuses with MountRefused one that is not mounted, and a board set that can't be.
    """
    tape = Tape.objects.select_for_update().get(pk=tape.pk)
    mount = find_mount(tape)
    if mount is None:
        raise MountRefused(f"Tape {tape.key} is on no machine.", action="Scan the tape that is.")
    if not 0 <= board_set <= MOST:
        raise MountRefused(f"Tape {tape.key} has no board set {board_set}.", action="Read it on the tape again.")
    if to_ticks(at) < mount.since:
        raise MountRefused("It was mounted after that moment.", action="Give the right moment.")
    following = find_next_board_set(tape)
    mount.end, mount.until, mount.taken_off_by, mount.ended = board_set, to_ticks(at), by, to_ticks(now())
    mount.save(update_fields=["end", "until", "taken_off_by", "ended"])
    note(tape, mount.station, **({"expected": following} if following != board_set else {}))
    return mount


def _check_tape(tape: Tape, assembly: Part) -> None:
    if tape.aborted:
        raise MountRefused(f"Tape {tape.key} was given up: {tape.aborted}", action="Take another tape.")
    if tape.built_until == OPEN:
        raise MountRefused(f"Tape {tape.key} is not finished.", action="Finish it at the sequencer first.")
    if tape.assembly_id != assembly.pk:
        raise MountRefused(
            f"Tape {tape.key} is for {tape.assembly.key}, and {assembly.key} is built here.",
            action=f"Fetch a tape for {assembly.key}.",
        )
    if mounted := find_mount(tape):
        raise MountRefused(
            f"Tape {tape.key} is on record as mounted at {mounted.station.key}.", action="Take it off there first."
        )


def _check_moment(tape: Tape, station: Station, at: int) -> None:
    """Neither tape nor machine is at two places at once, whatever the order in which it is told."""
    if at < tape.built_until:
        raise MountRefused(f"Tape {tape.key} was finished after that moment.", action="Give the right moment.")
    mounts = Mount.objects.filter(Q(tape=tape) | Q(station=station), until__gt=at).select_related("tape", "station")
    if later := mounts.order_by("-until").first():
        raise MountRefused(
            f"Tape {later.tape.key} came off {later.station.key} after that moment.", action="Give the right moment."
        )


def _check_machine(tape: Tape, station: Station) -> None:
    there = Mount.objects.filter(station=station, until=OPEN).select_related("tape").first()
    if there:
        raise MountRefused(f"Tape {there.tape.key} is on {station.key}.", action="Take it off first.")
    inserted = SetUpLine.objects.filter(setup__axis__tape=tape).values("designator")
    filled = tape.assembly.designators.filter(name__in=inserted).values_list("step_number", flat=True)
    steps = Step.objects.filter(part=tape.assembly, stations=station)
    if None not in filled:
        steps = steps.filter(number__in=filled)
    if not steps.exists():
        raise MountRefused(
            f"{station.key} does not insert what is on {tape.key}.", action="Take it to the machine that does."
        )
