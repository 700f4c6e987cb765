"""Changing what a station's feeds serve."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from trace.core.clock import OPEN, now, to_ticks
from trace.core.keys import free_key
from trace.core.models import Person
from trace.engineering.models import Part, Station
from trace.floor.draws import passes_meeting, reckon_between
from trace.floor.models import Pass
from trace.floor.scans import judge_by_designator
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
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
    axis = Axis.objects.select_for_update().get(pk=get_axis(station).pk)
    check_moves(Move.LOAD, [station])
    if any(feed.axis_id != axis.pk for feed in feeds.values()):
        raise SetUpRefused(f"Every feed must stand at {station.key}.")
    if axis.kind == Axis.Kind.CLOCK:
        position = to_ticks(at)
    if position is None:
        raise SetUpRefused("This station counts cycles.", action="Enter the machine's cycle count.")
    before = SetUp.objects.select_for_update().filter(axis=axis, assembly=assembly, end=OPEN).first()
    if before:
        if position < before.first:
            raise SetUpRefused(f"Set-up {before.key} began after that.", action="Give the right moment.")
        inside = (
            Pass.objects.filter(axis=axis, assembly=assembly, inside=True, superseded=None)
            .select_related("unit")
            .first()
        )
        if inside:
            raise SetUpRefused(
                f"{inside.unit.key} is still inside {station.key}.", action="Scan it out before the changeover."
            )
        before.end, before.ended = position, to_ticks(now())
        before.save(update_fields=["end", "ended"])
    first = position if before else 0
    setup = SetUp.objects.create(key=free_key(SetUp, key), assembly=assembly, axis=axis, first=first)
    serve_lines(setup, assembly, {designator: (feed, None) for designator, feed in feeds.items()})
    reaching = Pass.objects.filter(passes_meeting(axis, position), assembly=assembly, superseded=None)
    judge_by_designator(reaching.values("unit"))  # of what the old one did not serve they may have had some before
    reckon_between([axis.pk], [assembly.pk], position, OPEN, by)
    return setup
