"""Making feeds, set-ups and sequenced tapes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text, free_key
from trace.core.models import Person
from trace.engineering.models import Part, Station
from trace.engineering.queries import list_fitting_parts
from trace.ledger.operation import operation
from trace.material.models import (
    Axis,
    Container,
    EmptyPlace,
    Feed,
    FeedRecord,
    SetUp,
    SetUpLine,
    Span,
    Tape,
    TapeStop,
)
from trace.material.queries import get_axis, list_on_feeds

MOST_DAYS = 10_000

MOST = 10_000_000
"""Board sets on a tape, and links along a chain."""


class SetUpRefused(Refusal):
    """A feed, set-up or tape can't be made as asked."""

    code = "setup-refused"
    action = "Check it against the bill of material and the plan."


class WrongPart(Refusal):
    """A part is neither designed in nor an approved substitute where it would go."""

    code = "wrong-part"
    action = "Take it away and fetch the part the set-up asks for."


@operation()
def define_feed(
    *,
    key: str,
    station: Station,
    kind: str = Feed.Kind.SLOT,
    clear_within: int | None = None,
    by: Person,
    at: datetime,
) -> Feed:
    """A supply place at a station. It opens with unknown: what lies in it, nobody has said yet.

    `clear_within`: days within which it must be counted or cleared, for one that is only ever topped up.
    """
    if kind not in Feed.Kind.values:
        raise SetUpRefused("There is no such kind of feed.", action="Choose a slot, a bin or another of the list.")
    if clear_within is not None and not 0 < clear_within < MOST_DAYS:
        raise SetUpRefused(f"A place can't be cleared within {clear_within} days.", action="Enter whole days.")
    return _make_feed(key, get_axis(station), kind, clear_within=clear_within)


@operation()
def start_tape(
    *,
    key: str,
    assembly: Part,
    sequence: Sequence[str],
    heads: Mapping[str, tuple[int, Sequence[str]]],
    board_sets: int,
    station: Station | None = None,
    by: Person,
    at: datetime,
) -> Tape:
    """Plan a sequenced tape: the designators of one board set in link order, and the dispensing
    heads as {name: (distance along the chain in links, designators it serves)}. It stands until it first runs.

    `station` is the sequencer, where that is one of the plant's stations: a device or token that is bound to others
    does nothing with the tape while it is built.

    Refuses with SetUpRefused when the heads do not serve each designator of the sequence once.
    """
    served = [designator for _, designators in heads.values() for designator in designators]
    if sorted(served) != sorted(sequence) or len(set(served)) != len(served):
        raise SetUpRefused("The heads must serve each designator of the sequence exactly once.")
    if not sequence:
        raise SetUpRefused("A tape carries at least one component in each board set.")
    if not 0 < board_sets <= MOST:
        raise SetUpRefused(f"A tape can't hold {board_sets} board sets.")
    if not all(abs(distance) <= MOST for distance, _ in heads.values()):
        raise SetUpRefused("A head can't be so far along the chain.")
    tape = Tape.objects.create(
        key=free_key(Tape, key),
        assembly=assembly,
        links=len(sequence),
        board_sets=board_sets,
        built_from=to_ticks(at),
        station=station,
    )
    axis = Axis.objects.create(kind=Axis.Kind.TAPE, tape=tape)
    begun: dict[str, Any] = {"first": 0, "started": tape.built_from, "by": by}
    setup = SetUp.objects.create(key=free_key(SetUp, f"{tape.key}-SETUP"), assembly=assembly, axis=axis, **begun)
    lines: dict[str, tuple[Feed, int | None]] = {}
    for name, (distance, designators) in heads.items():
        feed = _make_feed(f"{tape.key}-{name}", axis, Feed.Kind.HEAD, distance)
        lines |= {designator: (feed, sequence.index(designator)) for designator in designators}
    serve_lines(setup, assembly, lines)
    TapeStop.objects.create(tape=tape, first=0, last=0, reason="to be loaded", since=tape.built_from, by=by)
    return tape


@operation()
def finish_tape(*, tape: Tape, board_sets: int, by: Person, at: datetime) -> Tape:
    """The tape is built: so many board sets were counted on it.

    Refuses with SetUpRefused one that was ended before, a count that can't be, and while places of these board sets
    are empty.
    """
    if not 0 < board_sets <= MOST:
        raise SetUpRefused(f"A finished tape can't hold {board_sets} board sets.")
    return _end_tape(tape, board_sets, by, at)


@operation()
def abort_tape(*, tape: Tape, board_sets: int, reason: str, by: Person, at: datetime) -> Tape:
    """Building was given up: so many board sets were on the tape, which goes on no machine.

    Refuses with SetUpRefused one that was ended before, without a reason, and a count that can't be.
    """
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise SetUpRefused("Say why the tape is given up.", action="Give the reason in a sentence.")
    if not 0 <= board_sets <= MOST:
        raise SetUpRefused(f"A tape can't hold {board_sets} board sets.")
    return _end_tape(tape, board_sets, by, at, aborted=reason)


def _end_tape(tape: Tape, board_sets: int, by: Person, at: datetime, aborted: str = "") -> Tape:
    tape = Tape.objects.select_for_update().get(pk=tape.pk)
    if tape.built_until != OPEN:
        raise SetUpRefused(f"Tape {tape.key} was ended before.", action="Scan the tape's label.")
    if to_ticks(at) < tape.built_from:
        raise SetUpRefused(f"Tape {tape.key} was begun after that moment.")
    stop = TapeStop.objects.filter(tape=tape, until=OPEN).first()
    if stop and to_ticks(at) < stop.since:
        raise SetUpRefused(f"Tape {tape.key} stood after that moment.")
    if not aborted and (empty := find_empty_place(tape, board_sets)):
        raise SetUpRefused(
            f"{empty.designator} of board set {empty.board_set} is empty on tape {tape.key}.",
            action="Fill it by hand, and scan the container that it came from.",
        )
    tape.planned, tape.board_sets, tape.aborted = tape.board_sets, board_sets, aborted
    tape.built_until, tape.finished = to_ticks(at), to_ticks(now())
    tape.save(update_fields=["planned", "board_sets", "built_until", "finished", "aborted"])
    TapeStop.objects.filter(tape=tape, until=OPEN).update(until=tape.built_until, ended_by=by, ended=tape.finished)
    return tape


def find_empty_place(tape: Tape, board_sets: int) -> EmptyPlace | None:
    """The first place in these board sets that was found empty and not filled by hand since."""
    fills = FeedRecord.objects.filter(feed__axis__tape=tape, act=FeedRecord.Act.HAND_FILL, superseded=None)
    filled = Counter(fills.values_list("feed", "first"))
    for place in EmptyPlace.objects.filter(feed__axis__tape=tape, board_set__lt=board_sets).order_by("board_set", "id"):
        if not filled[place.feed_id, place.board_set]:
            return place
        filled[place.feed_id, place.board_set] -= 1
    return None


def check_part(feed: Feed, container: Container) -> None:
    """Refuse with WrongPart unless the container's part belongs at every designator that a running
    set-up serves from this feed."""
    lines = SetUpLine.objects.filter(feed=feed, setup__end=OPEN).select_related("setup__assembly")
    for line in lines:
        if container.part_id not in list_fitting_parts(line.setup.assembly_id, line.designator):
            raise WrongPart(
                f"{container.key} holds {container.part.key}, which does not belong at "
                f"{line.designator} of {line.setup.assembly.key}."
            )


def _make_feed(key: str, axis: Axis, kind: str, distance: int = 0, clear_within: int | None = None) -> Feed:
    feed = Feed.objects.create(
        key=free_key(Feed, key), axis=axis, kind=kind, distance=distance, clear_within=clear_within
    )
    Span.objects.create(
        feed=feed, axis=axis, container=None, first=0, end=OPEN, since=0, until=OPEN, oldest=0, recorded=to_ticks(now())
    )
    return feed


def serve_lines(setup: SetUp, assembly: Part, lines: Mapping[str, tuple[Feed, int | None]]) -> None:
    """Serve designators from feeds: {designator: (feed, link on a tape)}. Inside an operation.

    Refuses with SetUpRefused, WrongPart (what is loaded does not belong there).
    """
    known = set(assembly.designators.values_list("name", flat=True))
    if missing := sorted(set(lines) - known):
        raise SetUpRefused(f"{assembly.key} has no designator {', '.join(missing)}.")
    SetUpLine.objects.bulk_create(
        SetUpLine(setup=setup, feed=feed, designator=designator, link=link)
        for designator, (feed, link) in lines.items()
    )
    feeds = {feed.pk: feed for feed, _ in lines.values()}
    for span in list_on_feeds(feeds.values()):
        if span.container:
            check_part(feeds[span.feed_id], span.container)
