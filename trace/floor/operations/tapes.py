"""Building a sequenced tape: its heads are loaded while it stands, it runs, it stops, it is looked at.

Where it is, the machine's count of board sets says, read at the reference of its chain: a `board_set` from 0 on, and
the `link` in it where that was read too.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.rules import say_limits
from trace.floor.draws import reckon_feed
from trace.floor.hung import find_here, list_hung
from trace.floor.operations.feeds import check_expiry, put_on
from trace.floor.releases import check_released
from trace.floor.tapes import Building, read_building
from trace.floor.when import Position, Told
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.inspecting import list_plan
from trace.material.models import (
    Container,
    EmptyPlace,
    Feed,
    FeedRecord,
    SetUpLine,
    Tape,
    TapeReading,
    TapeStop,
)
from trace.material.operations.bags import check_floor_life_on_feed
from trace.material.operations.setups import MOST
from trace.material.sequencing import TAPINGS, pitch_limits, runs_of_empties

MOST_PITCHES = 1_000
MOST_VALUE = 10**12
"""What a reading's record takes."""


TOLD = 3
"""So many heads that keep a tape standing are told of at once: it begins with all of them empty."""


class TapeRefused(Refusal):
    """A tape can't be built on as asked."""

    code = "tape-refused"
    action = "Look at the tape's page, and scan again."


class ReadingOut(TapeRefused):
    """A component lies outside the limits of its part."""

    code = "reading-out"
    action = "Put the container aside, marked, and call the quality engineer."


@moving
def load_head(
    *,
    feed: Feed,
    container: Container,
    value: Decimal | None = None,
    characteristic: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """A container goes on a dispensing head of a tape that stands, for the board sets that come to the head next.

    `value` is what the verifier measured of one component, by the limits of the `characteristic` that is measured at
    the part's incoming inspection, or of its only one. Refuses with TapeRefused (not standing), ReadingOut, and as
    load_feed: Held, WrongPart, Expired, FeedRefused.
    """
    tape = _lock_tape(feed)
    stop = _want_stopped(tape, at)
    if not stop.is_read:
        raise TapeRefused("Nobody read where the tape stands.", action="Read its board set, and say that first.")
    reading = None if value is None else _read(tape, feed, container, value, characteristic, by, at)
    if reading and not reading.good:
        raise ReadingOut(_out_of_limits(reading))
    told = Told(at, position=_here(tape, feed, stop))
    record = put_on(FeedRecord.Act.LOAD, feed, container, by, told, quantity=None, at_least=None)
    if reading:
        reading.save()
    note(tape)
    return record


@moving
def splice_head(
    *,
    feed: Feed,
    container: Container,
    lead: int,
    tolerance: int,
    board_set: int | None = None,
    by: Person,
    at: datetime,
) -> FeedRecord:
    """A container is spliced to what is on a dispensing head, `lead` parts before pick-up, known within `tolerance`.

    While the tape runs `board_set` says where it was; while it stands that is known. Refusals as load_head.
    """
    tape = _lock_tape(feed)
    stop = TapeStop.objects.filter(tape=tape, until=OPEN).first()
    if stop is None:
        if board_set is None:
            raise TapeRefused(f"Tape {tape.key} is running.", action="Say at which board set it was spliced.")
        first, last = _chain(tape, board_set, None)
        stop = TapeStop(tape=tape, first=first, last=last)
    position = _here(tape, feed, stop)
    details = {"lead": lead, "tolerance": tolerance, "quantity": None, "at_least": None}
    record = put_on(FeedRecord.Act.SPLICE, feed, container, by, Told(at, position=position), **details)
    note(tape)
    return record


@moving
def stop_tape(
    *, tape: Tape, board_set: int, link: int | None = None, reason: str, by: Person, at: datetime
) -> TapeStop:
    """The tape stands at a board set. Where something found stopped it, this says where that was.

    Refuses with TapeRefused one that stands already or was ended, without a reason, and a count that runs backwards.
    """
    tape = _lock(tape)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise TapeRefused("Say why it was stopped.", action="A word will do: empty, run out, end of shift.")
    stop = TapeStop.objects.filter(tape=tape, until=OPEN).first()
    if stop and stop.is_read:
        raise TapeRefused(f"Tape {tape.key} stands already.", action="Load it, or let it run.")
    first, last = _chain(tape, board_set, link)
    before = stop or TapeStop.objects.filter(tape=tape).order_by("since", "id").last()
    if before and last < before.first:
        was = before.first // tape.links
        raise TapeRefused(f"It stood at board set {was} before: it can't be at {board_set}.", action="Read it again.")
    first = max(first, before.first if before else 0)
    if before and to_ticks(at) < (before.since if stop else before.until):
        raise TapeRefused("It ran on after that moment.", action="Give the right moment.")
    if stop:
        _end(stop, by, at)
    return _stop(tape, first, last, reason, by, at)


@moving
def resume_tape(*, tape: Tape, by: Person, at: datetime) -> TapeStop:
    """The tape runs, for the first time or again.

    Refuses with TapeRefused unless every head has something known on it, while two components in a row of what is on a
    head were missing, or its last one measured lay outside its limits; with Held, Expired, FloorLifeOver,
    LotNotReleased.
    """
    tape = _lock(tape)
    stop = _want_stopped(tape, at)
    building = read_building(tape)
    if troubles := building.troubles:
        more = len(troubles) - TOLD
        told = [*troubles[:TOLD], *([f"{more} more head{'s wait' if more > 1 else ' waits'} too."] if more > 0 else [])]
        raise TapeRefused(" ".join(told), action="Put a container on it: scan the head, then the container.")
    on = [one for head in building.heads for one in head.on if one]
    check_moves(Move.LOAD, [tape, *(head.feed for head in building.heads), *on, *(one.lot for one in on)])
    for one in on:
        check_expiry(one.lot, at)
    check_floor_life_on_feed([span for span in list_hung(head.feed for head in building.heads) if span.end == OPEN], at)
    check_released([one.lot for one in on], at)
    note(tape)
    return _end(stop, by, at)


@moving
def record_empty(*, feed: Feed, designator: str, board_set: int, by: Person, at: datetime) -> EmptyPlace:
    """A place of a tape was found empty. It is filled by hand before the tape is finished.

    Two components in a row missing from a head stop the tape. Refuses with TapeRefused a designator that the head does
    not serve, a board set beyond the tape, and a place that is on record.
    """
    tape = _lock_tape(feed)
    served = list(SetUpLine.objects.filter(feed=feed).order_by("link").values_list("designator", flat=True))
    name = {one.casefold(): one for one in served}.get(designator.strip().casefold())
    if name is None:
        raise TapeRefused(
            f"{feed.key} does not serve {designator.strip()[:20]}.", action=f"It serves {', '.join(served)}."
        )
    if not 0 <= board_set <= MOST:
        raise TapeRefused(f"No tape has a board set {board_set}.", action="Read it again.")
    if EmptyPlace.objects.filter(feed=feed, designator=name, board_set=board_set).exists():
        raise TapeRefused(f"{name} of board set {board_set} is on record as empty.", action="Fill it by hand.")
    place = EmptyPlace.objects.create(feed=feed, designator=name, board_set=board_set, happened=to_ticks(at), by=by)
    note(tape)
    reckon_feed(feed, by, board_set)
    building = read_building(tape)
    head = next(head for head in building.heads if head.feed.pk == feed.pk)
    if runs_of_empties(head.absent, head.designators):
        _stop_now(building, head.trouble or "Two components in a row were missing.", by, at)
    return place


@moving
def record_verifier_reading(
    *, feed: Feed, value: Decimal, characteristic: str = "", by: Person, at: datetime
) -> TapeReading:
    """The verifier measured a component that a head gave. One outside its limits stops the tape, until the head has
    another container or its next reading is right.

    Refuses with TapeRefused where the part has no such characteristic, and where what is on the head is not known.
    """
    tape = _lock_tape(feed)
    building = read_building(tape)
    head = next(head for head in building.heads if head.feed.pk == feed.pk)
    if not head.on or head.on[-1] is None:
        raise TapeRefused(f"What is on {feed.key} is not known.", action="Scan its container first.")
    reading = _read(tape, feed, head.on[-1], value, characteristic, by, at)
    reading.save()
    note(tape, head.on[-1])
    if not reading.good:
        _stop_now(building, _out_of_limits(reading), by, at)
    return reading


@moving
def record_pitch(*, tape: Tape, taping: str, pitches: int, length: Decimal, by: Person, at: datetime) -> TapeReading:
    """So many pitches of the tape measured together are so many millimetres long; out of their limits they stop it.

    `taping` is one of TAPINGS. Refuses with TapeRefused what it does not name, and numbers that can't be.
    """
    tape = _lock(tape)
    if taping not in TAPINGS:
        raise TapeRefused(f"Nobody tapes “{taping[:20]}”.", action=f"Say one of {', '.join(TAPINGS)}.")
    _check_value(length)
    if not 0 < pitches <= MOST_PITCHES or length <= 0:
        raise TapeRefused("So many pitches can't be measured.", action="Measure 20 of them.")
    lower, upper = pitch_limits(TAPINGS[taping], pitches)
    reading = TapeReading.objects.create(
        tape=tape,
        name=f"length of {pitches} pitches, {TAPINGS[taping].words}",
        value=length,
        unit_of_measure="mm",
        lower=lower,
        upper=upper,
        happened=to_ticks(at),
        by=by,
    )
    note(tape)
    if not reading.good:
        _stop_now(read_building(tape), _out_of_limits(reading), by, at)
    return reading


def _lock(tape: Tape) -> Tape:
    """The tape as it is now, locked; refuses with TapeRefused one whose building has ended."""
    tape = Tape.objects.select_for_update().get(pk=tape.pk)
    if tape.built_until < OPEN:
        raise TapeRefused(
            f"Tape {tape.key} was {'given up' if tape.aborted else 'finished'} before.", action="Plan another tape."
        )
    return tape


def _lock_tape(feed: Feed) -> Tape:
    """The tape that a head builds, locked; refuses as `_lock`, and what is no head."""
    if feed.axis.tape is None:
        raise TapeRefused(f"{feed.key} is no head of a tape.", action="Scan a head of this tape.")
    return _lock(feed.axis.tape)


def _want_stopped(tape: Tape, at: datetime) -> TapeStop:
    stop = TapeStop.objects.filter(tape=tape, until=OPEN).first()
    if stop is None:
        raise TapeRefused(f"Tape {tape.key} is running.", action="Stop it first, and say at which board set.")
    if to_ticks(at) < stop.since:
        raise TapeRefused("It was stopped after that moment.", action="Give the right moment.")
    return stop


def _chain(tape: Tape, board_set: int, link: int | None) -> Position:
    """How many links had passed the reference."""
    if not 0 <= board_set <= MOST or not 0 <= (link or 0) < tape.links:
        raise TapeRefused(
            f"A tape can't stand at link {link or 0} of board set {board_set}.", action="Read the count again."
        )
    first = board_set * tape.links
    return (first, first + tape.links - 1) if link is None else (first + link, first + link)


def _here(tape: Tape, feed: Feed, stop: TapeStop) -> Position:
    links = SetUpLine.objects.filter(feed=feed, link__isnull=False).values_list("link", flat=True)
    return find_here(tape, feed.distance, [link for link in links if link is not None], stop)


def _stop(tape: Tape, first: int, last: int, reason: str, by: Person, at: datetime) -> TapeStop:
    note(tape)
    return TapeStop.objects.create(tape=tape, first=first, last=last, reason=reason, since=to_ticks(at), by=by)


def _end(stop: TapeStop, by: Person, at: datetime) -> TapeStop:
    stop.until, stop.ended_by, stop.ended = to_ticks(at), by, to_ticks(now())
    stop.save(update_fields=["until", "ended_by", "ended"])
    return stop


def _stop_now(building: Building, reason: str, by: Person, at: datetime) -> None:
    """What was found stops a tape that runs. Where it is nobody has read yet: from where it stood last to its end."""
    before = building.stops[-1] if building.stops else None
    if building.stands is None:
        first = before.first if before else 0
        until_end = max(first, building.tape.board_sets * building.tape.links)
        _stop(building.tape, first, until_end, reason[:300], by, at)


def _read(
    tape: Tape, feed: Feed, container: Container, value: Decimal, name: str, by: Person, at: datetime
) -> TapeReading:
    """A reading, not saved yet; refuses with TapeRefused what has no limits."""
    _check_value(value)
    measured = [one for one in list_plan(container.part) if one.unit_of_measure]
    named = [one for one in measured if not name or one.name.casefold() == name.strip().casefold()]
    if len(named) != 1:
        names = ", ".join(one.name for one in measured)
        raise TapeRefused(
            f"{container.part.key} has {'several limits' if len(named) > 1 else 'no such limits'}.",
            action=f"Say which was measured: {names}."
            if names
            else "What is inspected of it, and its limits, is planned first.",
        )
    (limits,) = named
    return TapeReading(
        tape=tape,
        feed=feed,
        container=container,
        name=limits.name,
        value=value,
        unit_of_measure=limits.unit_of_measure,
        lower=limits.lower,
        upper=limits.upper,
        happened=to_ticks(at),
        by=by,
    )


def _check_value(value: Decimal) -> None:
    if not value.is_finite() or abs(value) >= MOST_VALUE:
        raise TapeRefused(f"Nobody measures {value}.", action="Read it again, and give it in the unit of its limits.")


def _out_of_limits(reading: TapeReading) -> str:
    must = say_limits(reading.lower, reading.upper)
    whose = f"{reading.container.key}: " if reading.container else ""
    return f"{whose}{reading.name} is {reading.value.normalize():f} {reading.unit_of_measure}; it must be {must}."
