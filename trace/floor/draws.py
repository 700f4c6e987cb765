"""What was drawn from feeds, as reckoning wants it, and reckoning them from it."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from functools import cache
from operator import itemgetter

from django.db import connection
from django.db.models import Max, Q, Sum

from trace.core.clock import OPEN, last_before
from trace.core.models import Person
from trace.core.sql import fetch_planned, load_sql
from trace.floor.models import Pass
from trace.material.facts import BY_DRAWS, Draw, Record, SpanFacts
from trace.material.models import Axis, EmptyPlace, Feed, FeedRecord, Tape
from trace.material.rules import reckon
from trace.material.spans import EMPTYING, Standing, keep_spans

CLASSES = list(range(OPEN.bit_length() + 1))
"""Of the lengths of ranges."""


def length_class(first: int, last: int) -> int:
    """The bit length of a range's length: ranges of class c are shorter than 2**c."""
    return (last - first).bit_length()


def passes_meeting(axis: Axis, first: int) -> Q:
    """Passes on an axis that reach `first` or later, by index: those that began before it are
    looked for length class by length class."""
    straddling = Q()
    for c in CLASSES:
        straddling |= Q(length_class=c, first__gt=first - 2**c, first__lt=first)
    return Q(axis=axis) & (Q(first__gte=first) | straddling & Q(last__gte=first))


def _drawn_on(tape: Tape, head: Feed, since: int, places: int) -> list[Draw]:
    missed = count_missed([head.pk])
    sets = range(since, max(tape.board_sets, _reach(head) + missed.total()))
    return [Draw(k, k, left) for k in sets if (left := places - missed[head.pk, k]) > 0]


def count_missed(feeds: Iterable[int]) -> Counter[tuple[int, int]]:
    """How many places heads missed, by the feed's id and the board set: found empty, or filled by hand without that."""
    feeds = list(feeds)
    empty = EmptyPlace.objects.filter(feed__in=feeds).values_list("feed", "board_set")
    filled = FeedRecord.objects.filter(feed__in=feeds, act=FeedRecord.Act.HAND_FILL, superseded=None)
    return Counter(empty.order_by()) | Counter(filled.order_by().values_list("feed", "first"))


def list_drawn_at(axis: Axis, feeds: Collection[Feed], since: int) -> dict[int, list[Draw]]:
    """Every draw from each of these feeds of a station at `since` or later, by the feed's id."""
    ids = [feed.pk for feed in feeds]
    (rows,) = fetch_planned(
        __file__, "draws", {"since": "%(since)s"}, axis=axis.pk, feeds=ids, since=since, classes=CLASSES
    )
    return _read(ids, *rows)[1]


Served = list[tuple[int, int, frozenset[str]]]
"""The set-ups of one assembly in order: (first, end, designators that the feed serves)."""


def _read(
    feeds: Collection[int], serving: str | None, passes: str | None, repairs: str | None
) -> tuple[dict[int, dict[int, Served]], dict[int, list[Draw]]]:
    """What each of these feeds serves of each assembly, set-up by set-up (those in which it serves nothing, of an
    assembly that it serves in others, included), and what passes and repairs drew from it, by a row of `draws.sql`."""
    runs = defaultdict[int, dict[tuple[int, int], dict[int, set[str]]]](dict)
    for first, end, assembly, feed, designator in sorted(json.loads(serving or "[]"), key=itemgetter(0)):
        runs[assembly].setdefault((first, end), defaultdict(set))[feed].add(designator)
    served = {
        feed: {
            assembly: [(first, end, frozenset(names.get(feed, ()))) for (first, end), names in own.items()]
            for assembly, own in runs.items()
            if any(feed in names for names in own.values())
        }
        for feed in feeds
    }
    drawn = json.loads(repairs or "[]")
    draws = {feed: [Draw(first, last) for one, first, last in drawn if one == feed] for feed in feeds}
    for first, last, assembly, sure, only in json.loads(passes or "[]"):
        for feed, own in served.items():
            draws[feed] += _drawn(own.get(assembly, []), first, last, bool(sure), only)
    return served, draws


def _drawn(served: Served, first: int, last: int, sure: bool, only: list[str] | None) -> Iterator[Draw]:
    """What one pass drew from a feed. Of several set-ups that its range meets it drew under one: for a
    designator that not each of them serves from here, perhaps nothing."""
    met = [(max(first, since), min(last, last_before(end)), names) for since, end, names in served if since <= last]
    met = [one for one in met if one[1] >= first]
    pieces: Counter[tuple[int, int, bool]] = Counter()
    for name in set().union(*(names for _, _, names in met)):
        if only is None or name in only:
            here = [(since, until) for since, until, names in met if name in names]
            pieces[here[0][0], here[-1][1], sure and len(here) == len(met)] += 1
    for (since, until, surely), count in pieces.items():
        yield Draw(since, until, count, surely)


def _reach(feed: Feed) -> int:
    """The board set by which every end on a head that misses nothing is settled: a tape may hold more than was
    planned."""
    details = ("lead", "tolerance", "quantity", "left")
    records = FeedRecord.objects.filter(feed=feed, superseded=None)
    sums = records.aggregate(Max("last"), *(Sum(name) for name in details))
    return sum(value or 0 for value in sums.values()) + 1


def reckon_feed(feed: Feed, by: Person, since: int = 0) -> None:
    """Bring a feed's spans in step with its records and draws, where something changed at `since` or after.
    For use inside an operation.

    Locks the feed before reading it: what another operation did there meanwhile is seen. What was before
    its last sure emptying up to `since` stays as it is, and is not read.
    """
    locked = Feed.objects.select_for_update(of=("self",)).select_related("axis__tape")
    _reckon([locked.get(pk=feed.pk)], by, since)


def _reckon(feeds: Sequence[Feed], by: Person, since: int) -> None:
    """The same of many that are locked, in as many queries as of one."""
    moving, reckoned = read_reckoned(feeds, since), {}
    for feed in feeds:
        standing, draws, places = moving[feed.pk]
        on_clock = feed.axis.kind == Axis.Kind.CLOCK
        reckoned[feed.pk] = reckon(standing.records, draws, on_clock=on_clock, places=places)
    keep_spans(feeds, {pk: standing for pk, (standing, *_) in moving.items()}, reckoned, by)


def read_reckoned(feeds: Iterable[Feed], since: int = 0) -> dict[int, tuple[Standing, list[Draw], int]]:
    """By the ids of these feeds, what follows from a change at `since` or later: what stands (what was before the last
    sure emptying up to there stays as it is, and is not read), every draw from where draws matter, and how many
    designators the feed serves at a position. For a station in one statement.

    On a tape the board sets themselves draw, but for places that the head missed; at a station its passes do, and
    whoever takes a part out of the feed for a repair.
    """
    at = defaultdict[Axis, list[Feed]](list)
    for feed in feeds:
        at[feed.axis].append(feed)
    found: dict[int, tuple[Standing, list[Draw], int]] = {}
    for axis, there in at.items():
        ids = [feed.pk for feed in there]
        (row,) = fetch_planned(
            __file__, "reckoned", _reckoning(connection.vendor), axis=axis.pk, feeds=ids, since=since, classes=CLASSES,
            emptying=EMPTYING, by_draws=sorted(BY_DRAWS),
        )  # fmt: skip
        standing, (served, drawn) = _read_standing(*row[:3]), _read(ids, *row[3:])
        for feed in there:
            counts = [len(designators) for run in served[feed.pk].values() for _, _, designators in run]
            places, counted = max(counts, default=1), standing[feed.pk].counts_since
            draws = [] if counted is None else drawn[feed.pk]
            if axis.tape and counted is not None:
                draws = _drawn_on(axis.tape, feed, counted, places)
            found[feed.pk] = standing[feed.pk], draws, places
    return found


@cache
def _reckoning(vendor: str) -> dict[str, str]:
    """What draws, read from where it counts."""
    return {"drawn": load_sql(__file__, "draws", vendor), "since": "(SELECT first FROM counting)"}


def _read_standing(anchors: str, records: str | None, spans: str | None) -> dict[int, Standing]:
    standing = {feed: Standing(anchor, first, [], {}) for feed, anchor, first in json.loads(anchors)}
    for feed, *row in json.loads(records or "[]"):
        standing[feed].records.append(Record(*row))
    for feed, pk, *row in json.loads(spans or "[]"):
        standing[feed].spans[SpanFacts(*row)] = pk
    return standing


def reckon_after(passes: Iterable[Pass], by: Person) -> None:
    """Reckon the feeds whose ends these passes may move, because they came, were bounded, or went.

    Those are the feeds that wait for draws, and those that count them and have an edge after the
    first of these passes began: a draw after every edge moves none.
    """
    drawing = [p for p in passes if p.axis_id]
    if drawing:
        first, last = min(p.first for p in drawing), max(p.last for p in drawing)
        axes, assemblies = {p.axis_id for p in drawing if p.axis_id}, {p.assembly_id for p in drawing}
        reckon_between(axes, assemblies, first, last, by)


def reckon_between(axes: Collection[int], assemblies: Collection[int], first: int, last: int, by: Person) -> None:
    """The same for the feeds that serve these assemblies somewhere in `first..last`."""
    waiting = fetch_planned(
        __file__,
        "waiting_feeds",
        {"open": str(OPEN)},
        axes=list(axes),
        assemblies=list(assemblies),
        first=first,
        last=last,
        by_draws=list(BY_DRAWS),
    )
    if waiting:
        _reckon([_feed_of(*row) for row in waiting], by, first)


def _feed_of(pk: int, unsettled: bool, axis: int, kind: str, tape: int | None) -> Feed:
    feed = Feed.from_db(None, ["id", "axis_id", "unsettled"], [pk, axis, unsettled])
    feed.axis = Axis.from_db(None, ["id", "kind", "tape_id"], [axis, kind, tape])
    return feed
