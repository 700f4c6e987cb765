"""How much is left in containers, by the record: what came in, less what was drawn, divided, fitted and scrapped."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from django.db.models import Q

from trace.core.clock import OPEN
from trace.floor.away import HANGS
from trace.floor.draws import list_draws
from trace.floor.models import Fitting, Salvage
from trace.material.facts import EMPTIES, STAYS, Draw
from trace.material.models import Axis, Container, Count, Derivation, Feed, FeedRecord, ScrappedParts, Span

NONE = Decimal(0)


@dataclass(frozen=True)
class Left:
    """Between `least` and `most`: where two containers may have given a part, either may be without it.

    Below nothing, more was used than it held by what was counted: somebody must count.
    """

    least: Decimal
    most: Decimal

    def __add__(self, other: Left) -> Left:
        return Left(self.least + other.least, self.most + other.most)

    def __contains__(self, quantity: Decimal) -> bool:
        return max(self.least, NONE) <= quantity <= max(self.most, NONE)

    @property
    def overdrawn(self) -> Decimal:
        """How many more were surely used than it held."""
        return max(-self.most, NONE)

    def __str__(self) -> str:
        least, most = (f"{max(number, NONE):f}" for number in (self.least, self.most))
        least, most = (text.rstrip("0").rstrip(".") if "." in text else text for text in (least, most))
        return most if least == most else f"{least} to {most}"


Change = tuple[int, Left | None]
"""What came in or went at a moment; None where nobody counted it."""

EMPTY = Left(NONE, NONE)


def find_left(container: Container, at: int = OPEN) -> Left | None:
    """What is left in one container at a moment, None where that was never counted."""
    return find_all_left([container], at)[container.pk]


def find_all_left(containers: Collection[Container], at: int = OPEN) -> dict[int, Left | None]:
    """What is left in each of them: from the last count, or the last moment at which it was surely empty, on.

    As many queries as there are feeds at which they were.
    """
    known: dict[int | None, Container] = {container.pk: container for container in containers}
    fresh: dict[int | None, list[tuple[int, int, Left]]] = defaultdict(
        list
    )  # (moment, counted after, what it held then)
    changes: dict[int | None, list[Change]] = defaultdict(list)
    for count in Count.objects.filter(container__in=known, at__lte=at):
        fresh[count.container_id].append((count.at, 1, Left(count.quantity, count.quantity)))
    for pk, change in _divided(known, at, fresh):
        changes[pk].append(change)
    for pk, change in [*_poured(known, at, fresh), *_drawn(known, at, fresh), *_by_hand(known, at)]:
        changes[pk].append(change)
    return {one.pk: _reckon(one, fresh[one.pk], changes[one.pk], at) for one in containers}


def _reckon(
    container: Container, fresh: Iterable[tuple[int, int, Left]], changes: Iterable[Change], at: int
) -> Left | None:
    if container.gone is not None and container.gone <= at:
        return EMPTY
    since, _, left = max(fresh, key=lambda one: one[:2], default=(-1, 0, None))
    if left is None:
        left = _began(container)
    for moment, change in changes:
        if moment > since:
            left = left + change if left is not None and change is not None else None
    return left


def _began(container: Container) -> Left | None:
    if container.quantity is not None:
        return Left(container.quantity - container.tolerance, container.quantity + container.tolerance)
    poured_into = {Derivation.Deed.MERGE, Derivation.Deed.REMAINDER}
    if container.own or not {d.deed for d in container.sources.filter(superseded=None)} <= poured_into:
        return None
    return EMPTY  # all that is in it came from others, or out of units


Fresh = Mapping[int | None, list[tuple[int, int, Left]]]


def _divided(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was filled from containers, and into them. What was poured out whole leaves nothing."""
    rows = Derivation.objects.filter(Q(source__in=known) | Q(result__in=known), at__lte=at, superseded=None)
    deeds = Derivation.Deed
    for row in rows.select_related("source", "record__feed"):
        whole = row.deed in (deeds.MERGE, deeds.RE_REEL, deeds.REMAINDER)
        if row.record and (row.record.feed.kind not in HANGS or row.record.act == FeedRecord.Act.SEEN_AWAY):
            whole = False  # of bags that were poured out there, and of what may have gone along, nobody knows
        if row.source_id in known:
            if whole:
                fresh[row.source_id].append((row.at, 0, EMPTY))
            elif row.record is None or row.record.feed.kind in HANGS:
                yield row.source_id, (row.at, _less(row.quantity))
        if row.result_id in known and row.deed in (deeds.MERGE, deeds.REMAINDER):
            yield row.result_id, (row.at, find_left(row.source, row.at - 1) if row.source and whole else None)


def _poured(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was poured into bins and baths, and places filled by hand."""
    acts = FeedRecord.Act
    records = FeedRecord.objects.filter(container__in=known, happened__lte=at, superseded=None)
    for record in records.select_related("feed"):
        pk = record.container_id
        if record.act == acts.HAND_FILL:
            yield pk, (record.happened, _less(Decimal(1)))
        elif record.act == acts.CHARGE:
            fresh[pk].append((record.happened, 0, EMPTY))
        elif record.act in (acts.LOAD, acts.TOP_UP, acts.FOUND) and record.feed.kind not in HANGS:
            poured = record.quantity
            yield pk, (record.happened, None if poured is None else Left(-Decimal(poured), NONE))
        elif record.quantity is not None:  # counted as it was put on, before anything was drawn
            fresh[pk].append((record.happened - 1, 1, Left(Decimal(record.at_least or 0), Decimal(record.quantity))))


def _by_hand(known: Mapping[int | None, Container], at: int) -> Iterator[tuple[int | None, Change]]:
    """What was fitted at benches, taken out of units again, and scrapped."""
    fittings = Fitting.objects.filter(container__in=known, since__lte=at, superseded=None)
    for pk, since in fittings.values_list("container", "since"):
        yield pk, (since, _less(Decimal(1)))
    for pk, moment in Salvage.objects.filter(result__in=known, at__lte=at, superseded=None).values_list("result", "at"):
        yield pk, (moment, Left(Decimal(1), Decimal(1)))
    for scrapped in ScrappedParts.objects.filter(container__in=known, at__lte=at):
        yield scrapped.container_id, (scrapped.at, _less(scrapped.quantity))


def _drawn(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was drawn from containers where they hung, span by span: surely where nothing else may have given it.
    What left a place and did not come back to stock was used up, or thrown away with it."""
    acts = FeedRecord.Act
    put_on = FeedRecord.objects.filter(container__in=known, act__in=STAYS, happened__lte=at, superseded=None)
    feeds = Feed.objects.filter(pk__in=put_on.values("feed"), kind__in=HANGS)
    for feed in feeds.select_related("axis__tape", "axis__station"):
        records = list(FeedRecord.objects.filter(feed=feed, happened__lte=at, superseded=None).order_by("last", "id"))
        by_hand = {(r.container_id, r.first) for r in records if r.act == acts.HAND_FILL}
        counted = {r.container_id: r for r in records if r.act == acts.FOUND and r.quantity is not None}
        there = [
            span
            for span in Span.objects.filter(feed=feed, superseded=None, since__lte=at).order_by("end", "first")
            if (span.container_id, span.first) not in by_hand
        ]
        ours = [span for span in there if span.container_id in known]
        draws = list_draws(feed, min(span.first for span in ours))[0] if ours else []
        if feed.axis.kind == Axis.Kind.CLOCK:  # on others nothing says when a draw was: all of them count
            draws = [replace(d, sure=d.sure and d.last <= at) for d in draws if d.first <= at]
        for span in ours:
            found = counted.get(span.container_id)
            if found is None or found.last <= span.first:
                yield span.container_id, (span.since, _use(span, span.first, there, draws))
            elif found.last < span.end:  # it was counted where it was found: what it gave before is in the count
                yield span.container_id, (found.happened, _use(span, found.last, there, draws))
        last = {span.container_id: span for span in ours}
        over = {pk: span.until for pk, span in last.items() if span.end < OPEN and span.until <= at}
        for pk in known:
            mine = [r for r in records if r.container_id == pk and r.act in STAYS | {acts.TAKE_OFF, acts.SEEN_AWAY}]
            if mine and mine[-1].act in STAYS:
                emptied = (
                    r.happened for r in records if r.act in EMPTIES and r.last >= mine[-1].last and r != mine[-1]
                )
                if (end := next(emptied, over.get(pk))) is not None:
                    fresh[pk].append((end, 0, EMPTY))


def _use(span: Span, since: int, there: Iterable[Span], draws: Iterable[Draw]) -> Left:
    """What the draws at `since` or later took of a span, as a change."""
    beside = [o for o in there if o.container_id != span.container_id and o.first < span.end and since < o.end]
    surely = perhaps = 0
    for draw in draws:
        if draw.first < span.end and draw.last >= since:
            perhaps += draw.count
            inside = since <= draw.first and draw.last < span.end
            if draw.sure and inside and not any(o.first <= draw.last and draw.first < o.end for o in beside):
                surely += draw.count
    return Left(-Decimal(perhaps), -Decimal(surely))


def _less(quantity: Decimal | None) -> Left | None:
    return None if quantity is None else Left(-quantity, -quantity)
