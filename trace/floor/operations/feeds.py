"""What is done at a feed: loading, splicing, topping up, clearing, taking off, baths, sightings.

Each operation writes one feed record; the feed's spans are then reckoned from all its records.
A position is where on the feed's axis it happened: `first..last`, a range where that is not exact.
On a clock axis it follows from `at`; elsewhere it is given. `error` is within how much `at` is known:
of paper, of another clock (what a device's clock is off is taken off `at` before). `sheet` names the
paper sheet of the station whose next line it is: those lines are in their order, whatever their error.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime, timedelta

from django.db.models import Max, Q

from trace.approvals.models import Deviation
from trace.core.clock import EXACT, OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.floor.away import HANGS, find_seen_later, record_left, take_as_left, take_old_as_left
from trace.floor.counts import check_counts, count_on_label
from trace.floor.draws import read_reckoned, reckon_feed
from trace.floor.releases import check_released
from trace.floor.remainders import check_hidden, label_anew
from trace.floor.when import FeedRefused, Position, Told, When, find_when
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.facts import EMPTIES, STAYS, Record
from trace.material.models import Container, Feed, FeedRecord, Lot, SetUpLine, Span, Tape
from trace.material.operations.bags import check_floor_life, lay_open
from trace.material.operations.setups import check_part
from trace.material.rules import reckon
from trace.material.tapes import board_sets_at


class Expired(FeedRefused):
    """The lot's shelf life is over."""

    code = "expired"
    action = "Put it aside, marked as expired, and fetch another container."


@moving
def load_feed(
    *,
    feed: Feed,
    container: Container,
    position: Position | None = None,
    quantity: int | None = None,
    at_least: int | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """The place was emptied, then loaded with `at_least` to `quantity` parts, None where nobody counted.

    Past the first of these it may give something else, past the second it surely does. A whole container
    whose count is known within a tolerance brings that with it.
    Where it was on record at another feed it had left that unseen, which is recorded there. Refuses
    with Held, WrongPart, Expired, FloorLifeOver, LotNotReleased, FeedRefused (gone).
    """
    told = Told(at, error, sheet, position)
    return put_on(FeedRecord.Act.LOAD, feed, container, by, told, quantity=quantity, at_least=at_least)


@moving
def splice_feed(
    *,
    feed: Feed,
    container: Container,
    lead: int,
    tolerance: int,
    quantity: int | None = None,
    at_least: int | None = None,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """The container was spliced on, `lead` parts before the pick-up, known within `tolerance`.

    `at_least` and `quantity` are of its own parts, as at load_feed.

    Refusals as load_feed.
    """
    told = Told(at, error, sheet, position)
    details = {"lead": lead, "tolerance": tolerance, "quantity": quantity, "at_least": at_least}
    return put_on(FeedRecord.Act.SPLICE, feed, container, by, told, **details)


@moving
def top_up_feed(
    *,
    feed: Feed,
    container: Container,
    quantity: int | None = None,
    left: int | None = None,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """The container was poured on what was there: `quantity` poured and `left` underneath, each at
    most, None where nobody counted. Refusals as load_feed."""
    told = Told(at, error, sheet, position)
    return put_on(FeedRecord.Act.TOP_UP, feed, container, by, told, quantity=quantity, left=left)


@moving
def charge_bath(
    *,
    feed: Feed,
    container: Container,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """A bar, bag or can went into a bath: from here every draw carries it. Refusals as load_feed."""
    _want_bath(feed)
    return put_on(FeedRecord.Act.CHARGE, feed, container, by, Told(at, error, sheet, position))


@moving
def fill_by_hand(
    *, feed: Feed, container: Container, board_set: int, error: timedelta = EXACT, by: Person, at: datetime
) -> FeedRecord:
    """A place that a dispensing head left empty on a tape was filled by hand from a container.

    Refusals as load_feed, and FeedRefused where the feed is not a head, or the tape ends before that board set.
    """
    if feed.kind != Feed.Kind.HEAD:
        raise FeedRefused(f"{feed.key} is not a dispensing head of a tape.")
    tape = Tape.objects.get(pk=feed.axis.tape_id or 0)
    if tape.built_until < OPEN and board_set >= tape.board_sets:
        raise FeedRefused(
            f"Tape {tape.key} has {tape.board_sets} board sets, 0 to {tape.board_sets - 1}.",
            action="Count the board sets again, from 0 at the tape's beginning.",
        )
    told = Told(at, error, position=(board_set, board_set))
    return put_on(FeedRecord.Act.HAND_FILL, feed, container, by, told)


@moving
def find_on_feed(
    *,
    feed: Feed,
    container: Container,
    quantity: int | None = None,
    at_least: int | None = None,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """A verification scan: the container is seen on the feed.

    Where the record expected it, that is a sighting. Where it did not, a change went unrecorded
    since what was here was last seen: from then both are candidates, and unknown with them.
    What is there is recorded even where it may not be (held, expired, the wrong part): the event says
    so, and the interlock stops what comes next. `at_least` and `quantity`, as at load_feed, count where
    it is found.
    """
    check_counts(quantity=quantity, at_least=at_least)
    container = lock_container(container)
    feed = _lock(feed)
    when = find_when(feed, Told(at, error, sheet, position))
    # A splice hangs there before its first part is drawn.
    there = Q(first__lte=when.last) | Q(since__lte=when.happened)
    if Span.objects.filter(there, feed=feed, superseded=None, container=container, end__gte=when.first).exists():
        sighting = _write(FeedRecord.Act.SIGHTING, feed, container, when, by)
        take_as_left(container, when.happened, when.error, by, besides=feed)
        return sighting
    deviation = None
    try:
        deviation = _check_load(feed, container, at)
    except Refusal as broken:
        note(found_though=broken.code)
    lay_open([container], by, at)
    when = replace(when, first=max(_last_shown(feed, when), _last_away(feed, container, when)))
    old = _candidates(feed, when)
    details = {"quantity": quantity, "at_least": at_least, "deviation": deviation}
    found = _write(FeedRecord.Act.FOUND, feed, container, when, by, **details)
    take_old_as_left(feed, found, old, by)
    take_as_left(container, when.happened, when.error, by, besides=feed)
    return found


@moving
def clear_feed(
    *,
    feed: Feed,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """The place was emptied and what was in it is used up or thrown away."""
    feed = _lock(feed)
    return _write(FeedRecord.Act.CLEAR, feed, None, find_when(feed, Told(at, error, sheet, position)), by)


@moving
def dump_bath(
    *,
    feed: Feed,
    cleaned: bool = False,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> FeedRecord:
    """The bath was dumped; a heel of it stays unless it was `cleaned`."""
    _want_bath(feed)
    feed = _lock(feed)
    when = find_when(feed, Told(at, error, sheet, position))
    return _write(FeedRecord.Act.DUMP, feed, None, when, by, cleaned=cleaned)


@moving
def take_off_feed(
    *,
    feed: Feed,
    label: str = "",
    into: Container | None = None,
    position: Position | None = None,
    error: timedelta = EXACT,
    sheet: str = "",
    by: Person,
    at: datetime,
) -> Container:
    """What is on the feed goes back to stock, derived from every candidate on it.

    One known container goes back under its own label. Otherwise the remainder needs a new `label`,
    or goes `into` a container whose label it still bears. A remainder is held as what it may be of is. Refuses with
    FeedRefused, KeyInUse; under another's label with Held what is held, with WrongLabel what is not released or expires
    earlier.
    """
    into = into and lock_container(into)
    feed = _lock(feed)
    when = find_when(feed, Told(at, error, sheet, position))
    candidates = list(_candidates(feed, when))
    if not candidates:
        raise FeedRefused(f"Nothing is on record at {feed.key}.", action="Scan what is there first.")
    if into:
        if into.gone is not None or any(c and c.part_id != into.part_id for c in candidates):
            raise FeedRefused(f"What is on {feed.key} does not belong in {into.key}.")
        check_hidden(into, candidates, feed, when.happened)
    only = candidates[0] if len(candidates) == 1 else None
    result = into or (only if not label else None) or label_anew(feed, label, candidates, by, at - error)
    _write(FeedRecord.Act.TAKE_OFF, feed, result, when, by)
    return result


def head_position(feed: Feed, chain: int, chain_end: int | None = None) -> Position:
    """Where on its tape a dispensing head's next component lands once `chain` links have passed
    the reference (between `chain` and `chain_end`, where only the board set was read)."""
    tape = feed.axis.tape
    if tape is None:
        raise FeedRefused(f"{feed.key} is no head of a tape.", action="Enter the cycle count, or nothing on the clock.")
    links = SetUpLine.objects.filter(feed=feed, link__isnull=False).values_list("link", flat=True)
    return board_sets_at(
        chain=chain,
        distance=feed.distance,
        links=[link for link in links if link is not None],
        links_per_set=tape.links,
        chain_end=chain_end,
    )


def lock_container(container: Container) -> Container:
    """The container as it is now, locked; before the feed and the unit, as the order of locks has it."""
    return Container.objects.select_for_update(of=("self",)).select_related("part", "lot__part").get(pk=container.pk)


def check_expiry(lot: Lot, at: datetime) -> None:
    """Refuse with Expired what is past its last day."""
    if lot.expired(at):
        raise Expired(f"Lot {lot.number} expired on {lot.expiry:%Y-%m-%d}.")


def put_on(
    act: str,
    feed: Feed,
    container: Container,
    by: Person,
    told: Told,
    **details: int | None,
) -> FeedRecord:
    """Put a container on a feed. For use inside an operation; refusals as load_feed."""
    check_counts(**details)
    Lot.objects.select_for_update().get(pk=container.lot_id)
    container = lock_container(container)
    feed = _lock(feed)
    deviation = _check_load(feed, container, told.at)
    when = find_when(feed, told)
    if act in (FeedRecord.Act.LOAD, FeedRecord.Act.SPLICE) and details["quantity"] is None and feed.kind in HANGS:
        details |= count_on_label(container)
    lay_open([container], by, told.at)
    record = _write(act, feed, container, when, by, deviation=deviation, **details)
    if act != FeedRecord.Act.HAND_FILL:  # a part or two for a tape: the rest stays where it hangs
        take_as_left(container, when.happened, when.error, by, besides=feed)
    if act in STAYS and feed.kind in HANGS and (seen := find_seen_later(container, feed, when.happened)):
        record_left(feed, container, *seen, by)
    return record


def _check_load(feed: Feed, container: Container, at: datetime) -> Deviation | None:
    """Refuse what may not be put on this feed: held, gone, expired, the wrong part or not released; the deviation that
    lets the last by."""
    home = feed.axis.tape or feed.axis.station
    if home:
        note(home)
    check_moves(Move.LOAD, [container, container.lot, feed, home])
    if container.gone is not None and container.gone <= to_ticks(at):
        raise FeedRefused(f"Container {container.key} has left the plant.")
    check_expiry(container.lot, at)
    check_floor_life(container, at)
    check_part(feed, container)
    return check_released([container.lot], at, station=feed.axis.station)


def _lock(feed: Feed) -> Feed:
    return Feed.objects.select_for_update(of=("self",)).select_related("axis__tape", "axis__station").get(pk=feed.pk)


def _want_bath(feed: Feed) -> None:
    if feed.kind != Feed.Kind.BATH:
        raise FeedRefused(f"{feed.key} is not a bath.")


def _candidates(feed: Feed, when: When) -> list[Container | None]:
    """What may be on the feed at a take-off here, unreached splices included."""
    standing, draws, _ = read_reckoned([feed], when.first)[feed.pk]
    taking = Record(-1, "take-off", None, when.first, when.last, happened=when.happened, error=when.error)
    found = reckon([*standing.records, taking], draws).remainders[-1]
    known = Container.objects.select_related("part", "lot").in_bulk([pk for pk in found if pk])
    return [known[pk] if pk else None for pk in sorted(found, key=lambda pk: pk or 0)]


def _last_shown(feed: Feed, when: When) -> int:
    """Where a record last showed the oldest of what may lie there. What was poured on it or spliced to it since
    tells nothing of it: the change may have come before."""
    there = Span.objects.filter(feed=feed, superseded=None, end__gt=when.first)
    oldest = there.order_by("first", "since").first()
    if oldest is None:
        return 0
    of_it = Q(act__in=STAYS, container=oldest.container) | Q(act__in=STAYS | EMPTIES, first__lte=oldest.first)
    shown = FeedRecord.objects.filter(of_it, feed=feed, superseded=None, last__lte=when.last)
    return shown.aggregate(Max("last"))["last__max"] or 0


def _last_away(feed: Feed, container: Container, when: When) -> int:
    """By where a container that was here had surely gone again: it was put on anew since."""
    away = FeedRecord.objects.filter(feed=feed, container=container, act=FeedRecord.Act.SEEN_AWAY, superseded=None)
    return away.filter(last__lte=when.last).aggregate(Max("last"))["last__max"] or 0


def _write(
    act: str,
    feed: Feed,
    container: Container | None,
    when: When,
    by: Person,
    **details: int | bool | Deviation | None,
) -> FeedRecord:
    record = FeedRecord.objects.create(
        feed=feed,
        act=act,
        container=container,
        by=by,
        recorded=to_ticks(now()),
        **asdict(when),
        **details,
    )
    note(feed, *([container] if container else []))
    if act != FeedRecord.Act.SIGHTING or _was_seen_away(feed):
        reckon_feed(feed, by, when.first)
    return record


def _was_seen_away(feed: Feed) -> bool:
    """Whether something had left the feed unseen: a sighting may tell until when it was there."""
    return FeedRecord.objects.filter(feed=feed, act=FeedRecord.Act.SEEN_AWAY, superseded=None).exists()
