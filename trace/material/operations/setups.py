"""Making feeds, set-ups and sequenced tapes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import free_key
from trace.core.models import Person
from trace.engineering.models import Part, Station
from trace.engineering.queries import list_fitting_parts
from trace.ledger.operation import operation
from trace.material.models import Axis, Container, Feed, SetUp, SetUpLine, Span, Tape
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
    by: Person,
    at: datetime,
) -> Tape:
    """Plan a sequenced tape: the designators of one board set in link order, and the dispensing
    heads as {name: (distance along the chain in links, designators it serves)}.

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
    )
    axis = Axis.objects.create(kind=Axis.Kind.TAPE, tape=tape)
    setup = SetUp.objects.create(key=free_key(SetUp, f"{tape.key}-SETUP"), assembly=assembly, axis=axis, first=0)
    lines: dict[str, tuple[Feed, int | None]] = {}
    for name, (distance, designators) in heads.items():
        feed = _make_feed(f"{tape.key}-{name}", axis, Feed.Kind.HEAD, distance)
        lines |= {designator: (feed, sequence.index(designator)) for designator in designators}
    serve_lines(setup, assembly, lines)
    return tape


@operation()
def finish_tape(*, tape: Tape, board_sets: int, by: Person, at: datetime) -> Tape:
    """The tape is built: so many board sets were counted on it."""
    tape = Tape.objects.select_for_update().get(pk=tape.pk)
    if tape.built_until != OPEN:
        raise SetUpRefused(f"Tape {tape.key} was finished before.", action="Scan the tape's label.")
    if not 0 < board_sets <= MOST:
        raise SetUpRefused(f"A finished tape can't hold {board_sets} board sets.")
    if to_ticks(at) < tape.built_from:
        raise SetUpRefused(f"Tape {tape.key} was begun after that moment.")
    tape.planned, tape.board_sets = tape.board_sets, board_sets
    tape.built_until, tape.finished = to_ticks(at), to_ticks(now())
    tape.save(update_fields=["planned", "board_sets", "built_until", "finished"])
    return tape


def check_part(feed: Feed, container: Container) -> None:
    """Refuse with WrongPart unless the container's part belongs at every designator that a running
    set-up serves from this feed."""
    lines = SetUpLine.objects.filter(feed=feed, setup__end=OPEN).select_related("setup__assembly")
    for line in lines:
        if container.part_id not in list_fitting_parts(line.setup.assembly, line.designator):
            raise WrongPart(
                f"{container.key} holds {container.part.key}, which does not belong at "
                f"{line.designator} of {line.setup.assembly.key}."
            )


def _make_feed(key: str, axis: Axis, kind: str, distance: int = 0, clear_within: int | None = None) -> Feed:
    feed = Feed.objects.create(
        key=free_key(Feed, key), axis=axis, kind=kind, distance=distance, clear_within=clear_within
    )
    Span.objects.create(
        feed=feed, container=None, first=0, end=OPEN, since=0, until=OPEN, oldest=0, recorded=to_ticks(now())
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
