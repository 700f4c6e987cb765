"""A container that is scanned somewhere has left the feed that it was at. For use inside operations."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Q

from trace.core.clock import OPEN, now, to_ticks
from trace.core.models import Person
from trace.floor.draws import reckon_feed
from trace.floor.models import Pass
from trace.floor.scans import LAST_FEW
from trace.floor.sheets import place
from trace.ledger.operation import note
from trace.material.facts import STAYS
from trace.material.models import Axis, BagRecord, Container, Derivation, Feed, FeedRecord, Span

HANGS = (Feed.Kind.SLOT, Feed.Kind.HEAD)
"""Feeds at which the container itself is; into a bin or a bath its parts are poured."""


def take_as_left(container: Container, seen: int, error: int, by: Person, besides: Feed | None = None) -> None:
    """A container was scanned at a moment, known within `error`: it left every other feed at which it was
    on record some time since its last record or sighting there."""
    there = Q(end=OPEN) | Q(until__gt=seen)
    spans = Span.objects.filter(there, container=container, superseded=None, since__lte=seen, feed__kind__in=HANGS)
    feeds = Feed.objects.filter(pk__in=spans.values("feed")).select_related("axis__tape").order_by("pk")
    left = [feed.key for feed in feeds if feed != besides and record_left(feed, container, seen, error, by)]
    if left:
        note(seen_away_from=left)


def take_old_as_left(feed: Feed, found: FeedRecord, old: Iterable[Container | None], by: Person) -> None:
    """Something else was found on a feed: whatever hung there left it some time before. What came perhaps only
    after the change may still be there."""
    for container in old:
        if container and container.pk != found.container_id and feed.kind in HANGS:
            record_left(feed, container, found.happened, found.error, by, found)


def find_seen_later(container: Container, feed: Feed, since: int) -> tuple[int, int] | None:
    """(moment, error) at which a container was elsewhere first after it was at a feed, as recorded before: at another
    feed, or where it was divided, poured out, sealed or baked."""
    on = FeedRecord.objects.filter(container=container, act__in=STAYS, superseded=None, happened__gt=since)
    filled = Derivation.objects.filter(source=container, record=None, superseded=None, at__gt=since)
    bags = BagRecord.objects.filter(container=container, superseded=None, at__gt=since).exclude(
        act=BagRecord.Act.OPENED
    )
    handled = [*filled.values_list("at", flat=True), *bags.values_list("at", flat=True)]
    seen = [*on.exclude(feed=feed).values_list("happened", "error"), *((at, 0) for at in handled)]
    return min(seen, default=None)


def record_left(
    feed: Feed, container: Container, seen: int, error: int, by: Person, found: FeedRecord | None = None
) -> FeedRecord | None:
    """Record that a container had left a feed when it was seen elsewhere, or something else was `found` in its
    place; nothing where only some of it was poured there."""
    records = FeedRecord.objects.filter(feed=feed, container=container, superseded=None).order_by("last", "id")
    put_on = records.exclude(act=FeedRecord.Act.SIGHTING).last()
    since = records.filter(act__in=STAYS).last()
    if put_on is None or since is None or put_on.act not in STAYS:
        return None
    if found:
        if since.last > found.first:
            return None
        last = found.last
    else:
        last = max(since.last, _position(feed.axis, since.last, seen, error))
        spans = Span.objects.filter(feed=feed, container=container, superseded=None)
        if feed.axis.kind != Axis.Kind.CLOCK and not spans.filter(end__gte=last).exists():
            return None  # it was used up before
    early, late = min(since.happened - since.error, seen), seen + error
    record = FeedRecord.objects.create(
        feed=feed,
        act=FeedRecord.Act.SEEN_AWAY,
        container=container,
        first=since.last,
        last=max(since.last, last),
        happened=(early + late) // 2,
        error=late - (early + late) // 2,
        sheet=found.sheet if found else "",
        by=by,
        recorded=to_ticks(now()),
    )
    note(feed, container)
    reckon_feed(feed, by, since.first)
    return record


def _position(axis: Axis, since: int, seen: int, error: int) -> int:
    """The first position of an axis that surely came after a moment, as far as anything tells it; a
    container that had left before is among the unknown all the same."""
    if axis.kind == Axis.Kind.CLOCK:
        return place(axis, seen - error, seen + error)[1]
    if axis.tape:
        return max(since, axis.tape.board_sets) if axis.tape.built_until <= seen else since
    passes = Pass.objects.filter(station=axis.station_id, axis=axis, began__lte=seen, last__lt=OPEN, superseded=None)
    drawn = passes.order_by("-began", "-id").values_list("last", flat=True)[:LAST_FEW]
    return max([since, *(last + 1 for last in drawn)])
