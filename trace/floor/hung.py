"""What hung on feeds and what was drawn there, of many feeds at once."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

from trace.core.clock import OPEN
from trace.floor.draws import count_missed, list_drawn_at
from trace.floor.when import Position
from trace.material.facts import Draw
from trace.material.models import Feed, FeedRecord, SetUpLine, Span, Tape, TapeStop
from trace.material.tapes import board_sets_at


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


def list_draws_of(feeds: Mapping[int, Feed], own: Mapping[int, Sequence[Span]]) -> dict[int, list[Draw]]:
    """The draws from each feed since the first of these spans began there, in as many queries as there are stations.

    Of a tape that was ended early, heads up its chain gave perhaps to board sets that nobody counted any more.
    """
    heads = {pk: feed.axis.tape for pk, feed in feeds.items() if feed.axis.tape}
    places = Counter(SetUpLine.objects.filter(feed__in=heads).values_list("feed", flat=True))
    missed = count_missed(heads)
    draws = {
        pk: [
            Draw(k, k, max(places[pk] - missed[pk, k], 0), k < tape.board_sets)
            for k in range(min((span.first for span in own[pk]), default=0), max(tape.board_sets, tape.planned or 0))
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


def list_reached(feeds: Iterable[Feed]) -> dict[int, tuple[int, int]]:
    """Of each head of a tape that is being built: the board set that it has surely served, and perhaps: any, while it
    runs."""
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
    reached = {}
    for pk, (distance, tape) in heads.items():
        stood = stops.get(tape.pk)
        surely, perhaps = find_here(tape, distance, links[pk], stood)
        reached[pk] = surely, OPEN if stood and stood.until < OPEN else perhaps
    return reached


def find_here(tape: Tape, distance: int, links: Sequence[int], stop: TapeStop | None) -> Position:
    """The board sets in which a head's next component may land, as the tape stood last; at first, the first. Until its
    first link has passed the reference the count stands at 0, while heads up the chain give already."""
    if stop is None or not stop.last and stop.since == tape.built_from:
        return 0, 0
    first, last = board_sets_at(
        chain=stop.first, chain_end=stop.last, distance=distance, links=links, links_per_set=tape.links
    )
    return first if stop.first else 0, last
