"""Reading material: lots, containers, feeds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db.models import BigIntegerField, Case, Exists, ExpressionWrapper, OuterRef, Q, QuerySet, When

from trace.core.clock import OPEN, to_ticks
from trace.core.errors import NotFound
from trace.engineering.models import Station
from trace.material.models import Axis, Container, Feed, FeedRecord, Lot, SetUp, Span
from trace.material.rules import EMPTIES

DAY = 24 * 60 * 60 * 1_000_000
"""Microseconds."""


def get_container(key: str) -> Container:
    """The container of a label, or NotFound."""
    container = Container.objects.select_related("part", "lot__supplier").filter(key=key).first()
    if container is None:
        raise NotFound(f"No container is labelled {key}.")
    return container


def list_lots(text: str) -> QuerySet[Lot]:
    """Lots by our key or by the supplier's lot number: a number may be used by several suppliers."""
    lots = Lot.objects.select_related("part", "supplier")
    return lots.filter(key=text.upper()) or lots.filter(number__iexact=text)


def get_axis(station: Station) -> Axis:
    """The axis on which a station's feeds give: its clock, or its machine's cycle count."""
    kind = Axis.Kind.COUNT if station.counts_cycles else Axis.Kind.CLOCK
    axis, _ = Axis.objects.get_or_create(station=station, defaults={"kind": kind})
    return axis


def find_setup_at(station: Station, assembly_id: int, position: int) -> SetUp | None:
    """The set-up that served an assembly at a position of a station's axis, or the one that is open
    where none is on record for it; None where it draws nothing there."""
    setups = SetUp.objects.filter(axis__station=station, assembly_id=assembly_id).select_related("axis__tape")
    served = Q(first__lte=position, end__gt=position)
    return setups.filter(served | Q(end=OPEN)).order_by(Case(When(served, then=0), default=1), "-first").first()


def list_on_feeds(feeds: Iterable[Feed]) -> QuerySet[Span]:
    """The spans that are still open on these feeds: what may be there now."""
    return Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot")


def list_giving(feeds: Iterable[Feed], first: int, last: int) -> QuerySet[Span]:
    """The spans of what these feeds may give somewhere in `first..last`."""
    spans = Span.objects.filter(feed__in=feeds, superseded=None, first__lte=last, end__gt=first)
    return spans.select_related("container__lot")


def list_exhausted(unknown: Iterable[Feed]) -> tuple[str, ...]:
    """Of feeds that give nothing known: those on which the last thing done was to put something on, which
    a count says is used up."""
    feeds = {feed.pk: feed.key for feed in unknown}
    if not feeds:
        return ()
    records = FeedRecord.objects.filter(feed__in=feeds, superseded=None).exclude(act=FeedRecord.Act.SIGHTING)
    last = dict(records.order_by("last", "id").values_list("feed", "act"))
    put_on = {FeedRecord.Act.LOAD, FeedRecord.Act.FOUND, FeedRecord.Act.SPLICE, FeedRecord.Act.TOP_UP}
    return tuple(sorted(feeds[feed] for feed, act in last.items() if act in put_on))


def list_overdue_clearings(at: datetime) -> QuerySet[Feed]:
    """Feeds that were neither counted nor emptied within their stated days: until then everything that was
    ever poured there stays a candidate."""
    since = ExpressionWrapper(to_ticks(at) - OuterRef("clear_within") * DAY, output_field=BigIntegerField())
    emptied = Q(act__in=EMPTIES) | Q(act=FeedRecord.Act.DUMP, cleaned=True)
    counted = Q(act=FeedRecord.Act.TOP_UP, left__isnull=False, quantity__isnull=False)
    records = FeedRecord.objects.filter(emptied | counted, feed=OuterRef("pk"), superseded=None, happened__gt=since)
    feeds = Feed.objects.filter(~Exists(records), clear_within__isnull=False)
    return feeds.select_related("axis__station", "axis__tape").order_by("key")
