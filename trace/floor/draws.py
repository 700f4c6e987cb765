"""What was drawn from a feed, as reckoning wants it, and reckoning a feed from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping

from django.db.models import Max, Q, Sum

from trace.core.clock import OPEN, last_before
from trace.core.models import Person
from trace.core.sql import fetch
from trace.floor.models import Fitting, Pass
from trace.material.facts import BY_DRAWS, Draw
from trace.material.models import Axis, Feed, FeedRecord, SetUp, SetUpLine
from trace.material.queries import list_setups_between
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

    On a tape the board sets themselves draw, but for places filled by hand; at a station its passes do, and whoever
    takes a part out of the feed for a repair.
    """
    served = _served(feed.axis, [feed])
    counts = [len(designators) for run in served[feed.pk].values() for _, _, designators in run]
    places = max(counts, default=1)
    if tape := feed.axis.tape:
        by_hand = Counter(
            FeedRecord.objects.filter(feed=feed, act=FeedRecord.Act.HAND_FILL, superseded=None).values_list(
                "first", flat=True
            )
        )
        sets = range(since, max(tape.board_sets, _reach(feed)))
        return [Draw(k, k, places - by_hand[k]) for k in sets if by_hand[k] < places], places
    return _drawn_at(feed.axis, served, since)[feed.pk], places


def list_drawn_at(axis: Axis, feeds: Collection[Feed], since: int) -> dict[int, list[Draw]]:
    """Every draw from each of these feeds of a station at `since` or later, by the feed's id."""
    return _drawn_at(axis, _served(axis, feeds), since)


Served = list[tuple[int, int, frozenset[str]]]
"""The set-ups of one assembly in order: (first, end, designators that the feed serves)."""


def _drawn_at(axis: Axis, served: Mapping[int, Mapping[int, Served]], since: int) -> dict[int, list[Draw]]:
    assemblies = {assembly for runs in served.values() for assembly in runs}
    passes = (
        Pass.objects.filter(passes_meeting(axis, since), assembly__in=assemblies, superseded=None)
        .exclude(drew=Pass.Drew.NONE)
        .values_list("first", "last", "assembly_id", "drew", "only")
    )
    draws: dict[int, list[Draw]] = {feed: [] for feed in served}
    for first, last, assembly, drew, only in passes:
        for pk, runs in served.items():
            draws[pk] += _drawn(runs.get(assembly, []), first, last, drew == Pass.Drew.ALL, only)
    repairs = Fitting.objects.filter(feed__in=served, last__gte=since, superseded=None)
    for feed, begun, ended in repairs.values_list("feed", "first", "last"):
        if feed is not None and begun is not None and ended is not None:
            draws[feed].append(Draw(begun, ended))
    return draws


def _served(axis: Axis, feeds: Collection[Feed]) -> dict[int, dict[int, Served]]:
    """What each of an axis's feeds serves of each assembly, set-up by set-up; those in which it serves nothing, of an
    assembly that it serves in others, included."""
    lines: dict[int, dict[int, set[str]]] = {feed.pk: {} for feed in feeds}
    for feed, named, designator in SetUpLine.objects.filter(feed__in=lines).values_list("feed", "setup", "designator"):
        lines[feed].setdefault(named, set()).add(designator)
    of = dict(SetUp.objects.filter(pk__in={pk for own in lines.values() for pk in own}).values_list("pk", "assembly"))
    served: dict[int, dict[int, Served]] = {feed: {of[pk]: [] for pk in own} for feed, own in lines.items()}
    for setup in list_setups_between([axis.pk], set(of.values()), 0, OPEN).order_by("first"):
        for feed, own in lines.items():
            if setup.assembly_id in served[feed]:
                names = frozenset(own.get(setup.pk, ()))
                served[feed][setup.assembly_id].append((setup.first, setup.end, names))
    return served


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
    """The board set by which every end on a head is settled: a tape may hold more than was planned."""
    details = ("lead", "tolerance", "quantity", "left")
    records = FeedRecord.objects.filter(feed=feed, superseded=None)
    sums = records.aggregate(Max("last"), *(Sum(name) for name in details))
    return sum(value or 0 for value in sums.values()) + records.filter(act=FeedRecord.Act.HAND_FILL).count() + 1


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
    drawing = [p for p in passes if p.axis_id]
    if drawing:
        first, last = min(p.first for p in drawing), max(p.last for p in drawing)
        axes, assemblies = {p.axis_id for p in drawing if p.axis_id}, {p.assembly_id for p in drawing}
        reckon_between(axes, assemblies, first, last, by)


def reckon_between(axes: Collection[int], assemblies: Collection[int], first: int, last: int, by: Person) -> None:
    """The same for the feeds that serve these assemblies somewhere in `first..last`."""
    feeds = fetch(
        __file__,
        "waiting_feeds",
        axes=list(axes),
        assemblies=list(assemblies),
        first=first,
        last=last,
        by_draws=list(BY_DRAWS),
        open=OPEN,
    )
    if feeds:
        for feed in Feed.objects.filter(pk__in=[pk for (pk,) in feeds]).order_by("pk"):
            reckon_feed(feed, by, first)
