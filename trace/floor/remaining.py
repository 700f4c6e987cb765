"""How many parts are left in containers and on feeds, which may be loaded next, and how long feeds last."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Sum

from trace.core.clock import DAY, OPEN, to_ticks
from trace.engineering.models import Part, Station
from trace.floor.away import HANGS
from trace.floor.draws import list_drawn_at
from trace.floor.models import Fitting, Pass
from trace.floor.when import Position
from trace.holds.gate import find_holds
from trace.holds.rules import Move
from trace.material.facts import Draw
from trace.material.models import Container, Derivation, Feed, FeedRecord, SetUpLine, Span, Tape, TapeStop
from trace.material.queries import list_left
from trace.material.sequencing import Left, Offer, RunOut, forecast
from trace.material.tapes import board_sets_at

MINUTE = DAY // (24 * 60)
LAST_UNITS = 20
"""Of so many passes a station's pace is taken."""


def list_loadable(parts: Iterable[Part], at: datetime) -> dict[str, list[Container]]:
    """What may be loaded of each part, by its key: not held, not expired, on no other feed; what expires first comes
    first, then what was received first."""
    here = {part.key: list(list_left(part).select_related("lot", "part")) for part in parts}
    every = [container for containers in here.values() for container in containers]
    hanging = Span.objects.filter(container__in=every, feed__kind__in=HANGS, end=OPEN, superseded=None)
    hung = set(hanging.exclude(feed__axis__tape__built_until__lt=OPEN).values_list("container", flat=True))
    held = {
        (hold.target_kind, hold.target_key)
        for hold in find_holds(Move.LOAD, [*every, *(container.lot for container in every)])
    }

    def may(one: Container) -> bool:
        stopped = ("container", one.key) in held or ("lot", one.lot.key) in held
        return not stopped and one.pk not in hung and not one.lot.expired(at)

    def order(one: Container) -> tuple[date, int, str]:
        return one.lot.expiry or date.max, one.received, one.key

    return {part: sorted(filter(may, containers), key=order) for part, containers in here.items()}


def list_offers(parts: Iterable[Part], at: datetime) -> dict[str, list[Offer]]:
    """The same as a plan takes them: with how many parts are at least left in each."""
    loadable = list_loadable(parts, at)
    left = count_left([one for containers in loadable.values() for one in containers])
    return {
        part: [Offer(one.key, left[one.pk].least if one.pk in left else None, one.lot.expiry) for one in containers]
        for part, containers in loadable.items()
    }


def count_left(containers: Collection[Container]) -> dict[int, Left]:
    """Of each container that somebody counted, by id: what was counted last less what was drawn, poured off, taken out
    or filled in by hand since. At most what surely was drawn of it alone is missing, at least all that perhaps was."""
    ids = [container.pk for container in containers]
    spans = Span.objects.filter(container__in=ids, superseded=None)
    feeds = {
        feed.pk: feed
        for feed in Feed.objects.filter(pk__in=spans.values("feed")).select_related("axis__tape", "axis__station")
    }
    on_feed: dict[int, list[Span]] = defaultdict(list)
    for span in list_hung(feeds.values()):
        on_feed[span.feed_id].append(span)
    own = {pk: [span for span in on_feed[pk] if span.container_id in ids] for pk in feeds}
    draws, reached = _list_draws(feeds, own), _reached(feeds.values())
    counted = _counted(ids)
    uses: dict[int, Counter[str]] = defaultdict(Counter)
    for pk, hung in own.items():
        for span in hung:
            since = counted.get(span.container_id or 0)
            if since and (span.first < since.first if since.feed_id == pk else span.until <= since.happened):
                continue
            beside = [other for other in on_feed[pk] if other.pk != span.pk and _meet(other, span.first, span.end)]
            uses[span.container_id or 0] += _drawn(span, beside, draws[pk], *reached.get(pk, (OPEN, OPEN)))
    for rows in _by_hand(ids):
        for pk, happened, count in rows:
            if pk not in counted or happened >= counted[pk].happened:
                uses[pk] += Counter(surely=int(count or 0), perhaps=int(count or 0))
    left = {}
    for container in containers:
        if base := _base(container, counted.get(container.pk)):
            used = uses[container.pk]
            left[container.pk] = Left(max(base.least - used["perhaps"], 0), max(base.most - used["surely"], 0))
    return left


def list_hung(feeds: Iterable[Feed]) -> list[Span]:
    """The standing spans of feeds by what lay or hung there, but for what only filled a place by hand."""
    ids = [feed.pk for feed in feeds]
    fills = FeedRecord.objects.filter(feed__in=ids, act=FeedRecord.Act.HAND_FILL, superseded=None)
    by_hand = set(fills.values_list("feed", "container", "first"))
    spans = Span.objects.filter(feed__in=ids, superseded=None).select_related("container__lot", "container__part")
    return [
        span
        for span in spans.order_by("first", "id")
        if span.end > span.first + 1 or (span.feed_id, span.container_id, span.first) not in by_hand
    ]


def _counted(ids: Collection[int]) -> dict[int, FeedRecord]:
    """The record at which each container was last counted as it was put on."""
    rows = FeedRecord.objects.filter(container__in=ids, quantity__isnull=False, superseded=None)
    hung = rows.filter(act__in=[FeedRecord.Act.LOAD, FeedRecord.Act.SPLICE, FeedRecord.Act.FOUND])
    return {row.container_id or 0: row for row in hung.order_by("happened", "id")}


def _base(container: Container, counted: FeedRecord | None) -> Left | None:
    if counted and counted.quantity is not None:
        return Left(counted.at_least or 0, counted.quantity)
    if container.quantity is None or not container.own:
        return None
    return Left(int(container.quantity - container.tolerance), int(container.quantity + container.tolerance))


def _list_draws(feeds: Mapping[int, Feed], own: Mapping[int, Sequence[Span]]) -> dict[int, list[Draw]]:
    """The draws from each feed since the first of these spans began there, in as many queries as there are stations."""
    heads = {pk: feed.axis.tape for pk, feed in feeds.items() if feed.axis.tape}
    places = Counter(SetUpLine.objects.filter(feed__in=heads).values_list("feed", flat=True))
    fills = FeedRecord.objects.filter(feed__in=heads, act=FeedRecord.Act.HAND_FILL, superseded=None)
    by_hand = Counter(fills.values_list("feed", "first"))
    draws = {
        pk: [
            Draw(k, k, places[pk] - by_hand[pk, k])
            for k in range(min((span.first for span in own[pk]), default=0), tape.board_sets)
        ]
        for pk, tape in heads.items()
    }
    stations: dict[int, list[Feed]] = defaultdict(list)
    for feed in feeds.values():
        if feed.axis.tape is None and own[feed.pk]:
            stations[feed.axis_id].append(feed)
    for there in stations.values():
        since = min(span.first for feed in there for span in own[feed.pk])
        draws |= list_drawn_at(there[0].axis, there, since)
    return defaultdict(list, draws)


def _reached(feeds: Iterable[Feed]) -> dict[int, tuple[int, int]]:
    """Of each head of a tape that is being built: the board set that it has surely served, and perhaps."""
    heads = {
        feed.pk: (feed.distance, feed.axis.tape)
        for feed in feeds
        if feed.axis.tape and feed.axis.tape.built_until == OPEN
    }
    stops: dict[int, TapeStop] = {}
    for stop in TapeStop.objects.filter(tape__in={tape for _, tape in heads.values()}).order_by("since", "id"):
        stops[stop.tape_id] = stop
    links: dict[int, list[int]] = defaultdict(list)
    for pk, link in SetUpLine.objects.filter(feed__in=heads).values_list("feed", "link"):
        links[pk].append(link or 0)
    return {pk: find_here(tape, distance, links[pk], stops.get(tape.pk)) for pk, (distance, tape) in heads.items()}


def find_here(tape: Tape, distance: int, links: Sequence[int], stop: TapeStop | None) -> Position:
    """The board sets in which a head's next component may land, as the tape stood last; at first, the first."""
    if stop is None or not stop.last:
        return 0, 0
    return board_sets_at(
        chain=stop.first, chain_end=stop.last, distance=distance, links=links, links_per_set=tape.links
    )


def _meet(span: Span, first: int, end: int) -> bool:
    return span.first < end and first < span.end


def _drawn(span: Span, beside: Sequence[Span], draws: Iterable[Draw], begun: int, built: int) -> Counter[str]:
    """How many parts were surely, and perhaps, drawn of one span."""
    used: Counter[str] = Counter()
    for draw in draws:
        if draw.first >= built or not _meet(span, draw.first, draw.last + 1):
            continue
        used["perhaps"] += draw.count
        alone = not any(_meet(other, draw.first, draw.last + 1) for other in beside)
        if alone and draw.sure and span.first <= draw.first and draw.last < span.end and draw.first < begun:
            used["surely"] += draw.count
    return used


def _by_hand(ids: Collection[int]) -> Iterable[Iterable[tuple[int, int, Decimal | int | None]]]:
    """(container, moment, parts) of what was taken out of containers by hand or into others."""
    fills = FeedRecord.objects.filter(container__in=ids, act=FeedRecord.Act.HAND_FILL, superseded=None)
    yield ((container or 0, happened, 1) for container, happened in fills.values_list("container", "happened"))
    fitted = Fitting.objects.filter(container__in=ids, superseded=None)
    yield ((container or 0, since, 1) for container, since in fitted.values_list("container", "since"))
    split = Derivation.objects.filter(source__in=ids, superseded=None).exclude(deed=Derivation.Deed.REMAINDER)
    yield (
        (source or 0, happened, quantity)
        for source, happened, quantity in split.values_list("source", "at").annotate(Sum("quantity"))
    )


# Feeds ----------------------------------------------------------------------------------------------------------------


def forecast_feeds(feeds: Collection[Feed], pace: Decimal | None = None) -> dict[int, RunOut]:
    """When each of a station's feeds runs out, by id; those that give what nobody counted are left out.

    What was spliced on counts with what it was spliced to; of what may be there instead of something else the
    least is taken.
    """
    on: dict[int, list[Span]] = defaultdict(list)
    for span in Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot"):
        on[span.feed_id].append(span)
    left = count_left([span.container for spans in on.values() for span in spans if span.container])
    spliced = set(
        FeedRecord.objects.filter(feed__in=feeds, act=FeedRecord.Act.SPLICE, superseded=None).values_list(
            "feed", "container"
        )
    )
    places: Counter[int] = Counter()
    served = SetUpLine.objects.filter(feed__in=feeds, setup__end=OPEN).values_list("feed", "setup")
    for (feed, _), count in Counter(served).items():
        places[feed] = max(places[feed], count)
    found: dict[int, RunOut] = {}
    for feed, spans in on.items():
        # What is unknown only from later on follows from a count: by then it may be used up.
        begun = min(span.first for span in spans)
        there = [span for span in spans if span.container_id or span.first == begun]
        known = [left[span.container_id] for span in there if span.container_id in left]
        if len(known) < len(there) or not places[feed]:
            continue
        together = any((feed, span.container_id) in spliced for span in there)
        least = sum(one.least for one in known) if together else min(one.least for one in known)
        found[feed] = forecast(Left(least, sum(one.most for one in known)), places[feed], pace)
    return found


def find_pace(station: Station, at: datetime) -> Decimal | None:
    """Minutes from one unit to the next, over a station's last passes that drew; None where they tell nothing."""
    passes = Pass.objects.filter(station=station, superseded=None, scanned_out__lte=to_ticks(at))
    latest = passes.order_by("-scanned_out").values_list("scanned_out", flat=True)[:LAST_UNITS]
    scans = [scan for scan in latest if scan is not None]
    after = sum(scan > scans[-1] for scan in scans) if scans else 0
    if not after:
        return None
    return Decimal(scans[0] - scans[-1]) / MINUTE / after
