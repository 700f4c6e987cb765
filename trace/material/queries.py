"""Reading material: lots, containers, feeds."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

from django.db.models import BigIntegerField, Exists, ExpressionWrapper, F, OuterRef, Q, QuerySet, Subquery

from trace.core.clock import DAY, OPEN, to_ticks
from trace.core.errors import NotFound, Refusal
from trace.core.keys import BadKey, read_label
from trace.engineering.models import Part, Station
from trace.engineering.moisture import BAKED_FIRST
from trace.holds.gate import find_holds
from trace.holds.rules import Move
from trace.ledger.canonical import subject_of
from trace.material.clocks import Clocks
from trace.material.facts import EMPTIES, STAYS
from trace.material.floor_life import FloorClock
from trace.material.inspecting import list_unreleased
from trace.material.models import (
    Axis,
    Container,
    Delivery,
    Expected,
    Feed,
    FeedRecord,
    Lot,
    Receipt,
    SetUp,
    Span,
    Supplier,
)

LABEL = re.compile(r"[A-Za-z0-9-]+\.[A-Za-z0-9]")
"""A key with a check character behind it: where that is wrong, the label was misread."""


class LotUnclear(Refusal):
    """A lot number stands for several lots, and which one is meant was not said."""

    code = "lot-unclear"
    action = "Name the one that is meant by its key, or all of them."


def get_container(key: str) -> Container:
    """The container of a label, or NotFound."""
    container = Container.objects.select_related("part", "lot__supplier", "receipt").filter(key=key).first()
    if container is None:
        raise NotFound(f"No container is labelled {key}.")
    return container


def digest_label(text: str) -> str:
    """By what a package's label is known again: the SHA-256 of its text; nothing where it has none."""
    return hashlib.sha256(text.encode()).hexdigest() if text else ""


def find_receipts(package: str, label: str, supplier: Supplier | None = None) -> QuerySet[Receipt]:
    """Receipts of the package of this id, or with this label. The newest first, of one supplier or of any."""
    if not (package or label):
        return Receipt.objects.none()
    wanted = Q(package=package.strip().upper()) if package else Q()
    wanted |= Q(digest=digest_label(label)) if label else Q()
    found = Receipt.objects.filter(wanted, **({"supplier": supplier} if supplier else {}))
    return found.select_related("by", "supplier").prefetch_related("containers").order_by("-received", "-pk")


@dataclass(frozen=True)
class DeliveryState:
    """How a delivery came in: its lines; those that have not come; those that came with another quantity of their lot,
    with that; and packages that came with it and are not on its list."""

    lines: Sequence[Expected]
    missing: Sequence[Expected]
    different: Sequence[tuple[Expected, Decimal | None]]
    surplus: Sequence[Receipt]


def summarise_delivery(delivery: Delivery) -> DeliveryState:
    """How a delivery came in, by now."""
    lines = list(delivery.lines.select_related("part", "receipt").prefetch_related("receipt__containers__lot"))
    came = [(line, _amount(line.receipt, line.lot)) for line in lines if line.receipt]
    surplus = Receipt.objects.filter(supplier=delivery.supplier, delivery=delivery.number, expected=None)
    return DeliveryState(
        lines,
        [line for line in lines if line.receipt is None],
        [(line, amount) for line, amount in came if amount != line.quantity],
        list(surplus.select_related("part", "by").prefetch_related("containers").order_by("pk")),
    )


def _amount(receipt: Receipt, lot: str) -> Decimal | None:
    """How much of a lot a package held; None where nobody counted."""
    amounts = [container.quantity for container in receipt.containers.all() if container.lot.number == lot]
    return None if None in amounts else sum(filter(None, amounts), Decimal(0))


def list_not_used_up(containers: QuerySet[Container]) -> QuerySet[Container]:
    """Those of them that are in the plant and, as far as is on record, not used up: never on a feed, still on one, or
    taken off the last. How much is left in one is `floor.left`'s to say."""
    spans = Span.objects.filter(container=OuterRef("pk"), superseded=None)
    acts = FeedRecord.objects.filter(container=OuterRef("pk"), superseded=None).exclude(act=FeedRecord.Act.SIGHTING)
    here = containers.filter(gone=None).annotate(
        act=Subquery(acts.order_by("-happened", "-id").values("act")[:1]),
        on_feed=Exists(spans.filter(end=OPEN)) & Q(act__in=STAYS),
    )
    left = ~Exists(spans) | Exists(spans.filter(end=OPEN)) | Q(act=FeedRecord.Act.TAKE_OFF)
    return here.filter(left).order_by("key")


@dataclass(frozen=True)
class Stocked:
    """A container in the plant at a moment, and how long it may still be used: by its floor clock, where it has one,
    and by the expiry of its lot."""

    container: Container
    clock: FloorClock | None
    at: int

    @property
    def opened(self) -> bool:
        """Whether its clock runs."""
        return self.clock is not None and self.clock.running

    @property
    def expires(self) -> int | None:
        """The first moment at which its lot has expired; None without an expiry."""
        day = self.container.lot.expiry
        return to_ticks(datetime.combine(day, time(), UTC)) + DAY if day else None

    @property
    def expired(self) -> bool:
        return self.expires is not None and self.expires <= self.at

    @property
    def ends(self) -> int | None:
        """Until when it may be used, if nothing is done; None without end."""
        ends = (self.clock.ends if self.clock else None, self.expires)
        return min((end for end in ends if end is not None), default=None)

    @property
    def usable(self) -> bool:
        """Whether neither is over."""
        return not (self.expired or (self.clock and self.clock.over))

    @property
    def turn(self) -> tuple[object, ...]:
        """What is to be used first comes first: the open bag with the shortest time left, what expires first, what
        came first."""
        left = self.clock.remaining if self.clock and self.opened else OPEN
        return left, self.container.lot.expiry or date.max, self.container.received, self.container.key


def list_offers(parts: Iterable[Part], at: datetime) -> dict[str, list[Stocked]]:
    """Of each part, by its key, the containers from which one may be fetched now, in the order in which they are to be
    used.

    Not what hangs on a feed, is held or not released, has expired or is past its floor life.
    """
    moment = to_ticks(at)
    offers: dict[str, list[Stocked]] = {part.key: [] for part in parts}
    found = (
        list_not_used_up(Container.objects.filter(part__in=parts))
        .filter(Q(on_feed=False), received__lte=moment)
        .select_related("part", "lot__supplier")
    )
    usable = [stocked for stocked in _stocked(found, moment) if stocked.usable]
    things = {thing for stocked in usable for thing in (stocked.container, stocked.container.lot)}
    held = {(hold.target_kind, hold.target_key) for hold in find_holds(Move.LOAD, things)}
    unreleased = {lot.pk for lot in list_unreleased((stocked.container.lot for stocked in usable), moment)}
    released = (stocked for stocked in usable if stocked.container.lot_id not in unreleased)
    free = (s for s in released if not held & {subject_of(s.container), subject_of(s.container.lot)})
    for stocked in sorted(free, key=lambda stocked: stocked.turn):
        offers[stocked.container.part.key].append(stocked)
    return offers


def list_running_out(at: datetime, within: timedelta) -> list[Stocked]:
    """The containers in the plant that may not be used any longer, or not beyond a while if nothing is done; what runs
    out first comes first. Those on feeds are among them."""
    moment = to_ticks(at)
    last_day = (at + within).astimezone(UTC).date()
    short = Q(lot__expiry__lte=last_day) | Q(exposed__isnull=False, part__floor_life__isnull=False)
    found = list_not_used_up(
        Container.objects.filter(short | Q(part__moisture_level=BAKED_FIRST), received__lte=moment)
    )
    found = found.select_related("part", "lot__supplier")
    until = to_ticks(at + within)
    ending = (s for s in _stocked(found, moment) if s.ends is not None and s.ends <= until)
    return sorted(ending, key=lambda stocked: (stocked.ends, stocked.turn))


def _stocked(containers: Iterable[Container], at: int) -> list[Stocked]:
    clocks = Clocks(containers)
    return [Stocked(container, clocks.find(container, at), at) for container in containers]


def get_lot(text: str) -> Lot:
    """The lot of a key, with or without check character, or of a supplier's lot number.

    Refuses with NotFound, LotUnclear (it lists the lots of that number), BadKey.
    """
    text = text.strip()
    lots = Lot.objects.select_related("part", "supplier")
    try:
        found, misread = list(lots.filter(key=read_label(text))), None
    except BadKey as bad:
        found, misread = [], bad
    found = found or list(lots.filter(number__iexact=text))
    if len(found) == 1:
        return found[0]
    if found:
        choices = "\n".join(f"  {lot.key}  {describe_lot(lot)}" for lot in found)
        raise LotUnclear(f"{len(found)} lots have the number {text}:\n{choices}\n")
    if misread and LABEL.fullmatch(text):
        raise misread
    raise NotFound(
        f"No lot has the key or the number “{text[:60]}”.",
        action="Check the label and scan it again; a single reel, box or bag has a label of its own.",
    )


def describe_lot(lot: Lot) -> str:
    """The lot's part, supplier, number and date code."""
    code = f", date code {lot.date_code}" if lot.date_code else ""
    return f"{lot.part.key} from {lot.supplier.name}, lot number {lot.number}{code}"


def get_axis(station: Station) -> Axis:
    """The axis on which a station's feeds give: its clock, or its machine's cycle count."""
    kind = Axis.Kind.COUNT if station.counts_cycles else Axis.Kind.CLOCK
    axis, _ = Axis.objects.get_or_create(station=station, defaults={"kind": kind})
    return axis


def list_setups_between(
    axes: Iterable[int | None], assemblies: Iterable[int], first: int, last: int
) -> QuerySet[SetUp]:
    """The set-ups of these assemblies that served somewhere in `first..last` of these axes."""
    met = SetUp.objects.filter(axis__in=axes, assembly__in=assemblies, first__lte=last, end__gt=first)
    return met.exclude(end=F("first"))


def list_on_feeds(feeds: Iterable[Feed]) -> QuerySet[Span]:
    """The spans that are still open on these feeds: what may be there now."""
    return Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot")


def list_giving(feeds: Iterable[Feed], first: int, last: int) -> QuerySet[Span]:
    """The spans of what these feeds may give somewhere in `first..last`."""
    begun = Span.objects.filter(feed=OuterRef("feed"), superseded=None, first__lte=first).order_by("-first")
    spans = Span.objects.filter(feed__in=feeds, superseded=None, first__lte=last, end__gt=first)
    return spans.filter(first__gte=Subquery(begun.values("oldest")[:1])).select_related("container__lot")


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
