"""What was drawn from a feed, as reckoning wants it, and reckoning a feed from it."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Exists, Max, OuterRef, Q, Sum

from trace.core.clock import OPEN
from trace.core.models import Person
from trace.floor.models import Pass
from trace.material.models import Axis, Feed, FeedRecord, SetUpLine, Span
from trace.material.rules import BY_DRAWS, Draw
from trace.material.spans import counts_draws, find_anchor, keep_spans, list_records

LENGTH_CLASSES = range(OPEN.bit_length() + 1)


def length_class(first: int, last: int) -> int:
    """The bit length of a range's length: ranges of class c are shorter than 2**c."""
    return (last - first).bit_length()


def passes_meeting(axis: Axis, first: int) -> Q:
    """Passes on an axis that reach `first` or later, by index: those that began before it are
    looked for length class by length class."""
    straddling = Q()
    for c in LENGTH_CLASSES:
        straddling |= Q(length_class=c, first__gt=first - 2**c, first__lt=first)
    return Q(axis=axis) & (Q(first__gte=first) | straddling & Q(last__gte=first))


def list_draws(feed: Feed, since: int) -> tuple[list[Draw], int]:
    """Every draw from a feed at `since` or later, and how many designators it serves at a position.

    On a tape the board sets themselves draw; at a station its passes do.
    """
    lines = SetUpLine.objects.filter(feed=feed).values_list("setup_id", "designator")
    served: dict[int, set[str]] = {}
    for setup_id, designator in lines:
        served.setdefault(setup_id, set()).add(designator)
    places = max((len(designators) for designators in served.values()), default=1)
    if tape := feed.axis.tape:
        return [Draw(k, k, places) for k in range(since, max(tape.board_sets, _reach(feed)))], places
    passes = (
        Pass.objects.filter(passes_meeting(feed.axis, since), setup__in=served, superseded=None)
        .exclude(drew=Pass.Drew.NONE)
        .values_list("first", "last", "setup_id", "drew", "only")
    )
    return [
        Draw(first, last, count, drew == Pass.Drew.ALL)
        for first, last, setup_id, drew, only in passes
        if (count := len(served[setup_id] & set(only) if only is not None else served[setup_id]))
    ], places


def _reach(feed: Feed) -> int:
    """The board set by which every end on a head is settled: a tape may hold more than was planned."""
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
    feed = Feed.objects.select_for_update(of=("self",)).select_related("axis__tape").get(pk=feed.pk)
    anchor = find_anchor(feed, since) if since else None
    records = list_records(feed, anchor)
    counted = counts_draws(records)
    draws: list[Draw] = []
    places = 2
    if counted is not None or feed.axis.kind == Axis.Kind.TAPE:
        draws, places = list_draws(feed, counted if counted is not None else OPEN)
    keep_spans(feed=feed, records=records, draws=draws, places=places, by=by, anchor=anchor)


def reckon_after(passes: Iterable[Pass], by: Person) -> None:
    """Reckon the feeds whose ends these passes may move, because they came, were bounded, or went.

    Those are the feeds that wait for draws, and those that count them and have an edge after the
    first of these passes began: a draw after every edge moves none.
    """
    drawing = [p for p in passes if p.setup_id]
    if not drawing:
        return
    by_draws = Q(act__in=BY_DRAWS) | Q(quantity__isnull=False)
    counted = FeedRecord.objects.filter(by_draws, feed=OuterRef("pk"), superseded=None)
    first = min(p.first for p in drawing)
    after = Q(end__gt=first, end__lt=OPEN) | Q(first__gt=first, first__lt=OPEN - 1)
    edges = Span.objects.filter(after, feed=OuterRef("pk"), superseded=None)
    serving = SetUpLine.objects.filter(setup__in={p.setup_id for p in drawing}).values("feed")
    moved = Q(unsettled=True) | Exists(counted) & Exists(edges)
    for feed in Feed.objects.filter(moved, pk__in=serving).select_related("axis__tape").order_by("pk"):
        reckon_feed(feed, by, first)
