"""How much is left in containers, by the record: what came in, less what was drawn, divided, fitted and scrapped."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from operator import itemgetter

from django.db.models import Q

from trace.core.clock import OPEN
from trace.floor.away import HANGS
from trace.floor.hung import list_draws_of, list_hung, list_reached
from trace.floor.models import Fitting, Salvage
from trace.material.facts import EMPTIES, EMPTY, NONE, STAYS, Draw, Left
from trace.material.models import (
    Axis,
    Container,
    Count,
    Derivation,
    Feed,
    FeedRecord,
    InspectionCount,
    Manner,
    ScrappedParts,
    Span,
)
from trace.material.operations.stock import MOST

POURED = {Derivation.Deed.MERGE, Derivation.Deed.REMAINDER}
"""What fills a container from others, or from what came off a feed, bit by bit."""

Moment = tuple[int, int]
"""When something was done, and when that was recorded: of what was done at one moment that says what came last."""

Change = tuple[Moment, Left | None]
"""What came in or went at a moment; None where nobody counted it."""


def find_left(container: Container, at: int = OPEN) -> Left | None:
    """What is left in one container at a moment, None where that was never counted."""
    return find_all_left([container], at)[container.pk]


def find_all_left(containers: Collection[Container], at: int = OPEN) -> dict[int, Left | None]:
    """What is left in each of them: from the last count, or the last moment at which it was surely empty, on.

    The number of queries grows with the stations at which they were, and with how often something was poured into them.
    """
    known: dict[int | None, Container] = {container.pk: container for container in containers}
    filled = _list_filled(known)
    fresh: dict[int | None, list[tuple[Moment, Left]]] = defaultdict(list)
    changes: dict[int | None, list[Change]] = defaultdict(list)
    for count in Count.objects.filter(container__in=known, at__lte=at, superseded=None):
        fresh[count.container_id].append(((count.at, count.recorded), Left(count.quantity, count.quantity)))
    for pk, change in [*_divided(known, at, fresh), *_inspected(known, filled, at, fresh)]:
        changes[pk].append(change)
    for pk, change in [*_poured(known, at, fresh), *_drawn(known, at, fresh), *_by_hand(known, at)]:
        changes[pk].append(change)
    return {
        one.pk: _reckon(one, EMPTY if one.pk in filled else _came(one), fresh[one.pk], changes[one.pk], at)
        for one in containers
    }


def _reckon(
    container: Container,
    began: Left | None,
    fresh: Iterable[tuple[Moment, Left]],
    changes: Iterable[Change],
    at: int,
) -> Left | None:
    if container.gone is not None and container.gone <= at:
        return EMPTY
    since, left = max(fresh, key=itemgetter(0), default=((-1, 0), began))
    for moment, change in changes:
        if moment > since:
            left = left + change if left is not None and change is not None else None
    return left


def _list_filled(known: Mapping[int | None, Container]) -> set[int | None]:
    """Those of which all came from others, or out of units: they began empty."""
    filled = {pk for pk, container in known.items() if not container.own}
    otherwise = Derivation.objects.filter(result__in=filled, superseded=None).exclude(deed__in=POURED)
    return filled - set(otherwise.values_list("result", flat=True))


def _came(container: Container) -> Left | None:
    if container.quantity is None:
        return None
    return Left(container.quantity - container.tolerance, container.quantity + container.tolerance)


Fresh = Mapping[int | None, list[tuple[Moment, Left]]]


def _divided(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was filled from containers, and into them. What was poured out whole leaves nothing. Of what came off a feed
    and may be of one or of another, one is in it at least, and all together are at most."""
    rows = Derivation.objects.filter(Q(source__in=known) | Q(result__in=known), at__lte=at, superseded=None)
    either = _either(known)
    pours = FeedRecord.objects.filter(container__in=rows.values("source"), act=FeedRecord.Act.TOP_UP, superseded=None)
    bags = set(pours.values_list("feed", "container"))
    came_off: dict[tuple[int, int | None, Moment], list[Left | None]] = defaultdict(list)
    into: list[Derivation] = []
    sources: dict[int, set[Container]] = defaultdict(set)
    for row in rows.select_related("source", "record__feed"):
        whole = row.deed in POURED | {Derivation.Deed.RE_REEL}
        poured = row.record is not None and (row.record.feed_id, row.source_id) in bags
        if row.record and (poured or row.record.feed.kind not in HANGS or row.record.act == FeedRecord.Act.SEEN_AWAY):
            whole = False  # of bags that were poured out there, and of what may have gone along, nobody knows
        if row.source_id in known and not poured:
            if whole:
                fresh[row.source_id].append((_moment_of(row), EMPTY))
            elif row.record is None or row.record.feed.kind in HANGS:
                yield row.source_id, (_moment_of(row), _less(row.quantity))
        if row.result_id in known and row.deed in POURED:
            into.append(row)
            if row.source and whole:
                sources[row.at].add(row.source)
    held: dict[tuple[int | None, int], Left | None] = {
        (pk, moment): left
        for moment, poured_then in sources.items()
        for pk, left in find_all_left(poured_then, moment - 1).items()
    }
    for row in into:
        left = held.get((row.source_id, row.at))
        if row.record_id in either:
            came_off[row.result_id, row.record_id, _moment_of(row)].append(left)
        else:
            yield row.result_id, (_moment_of(row), left)
    for (result, _, moment), lefts in came_off.items():
        counted = [one for one in lefts if one is not None]
        together = (
            Left(min(one.least for one in counted), sum((one.most for one in counted), NONE)) if counted else None
        )
        yield result, (moment, together if len(counted) == len(lefts) else None)


def _moment_of(row: Derivation) -> Moment:
    """Of what follows from a record at a feed by that record: its own row is written anew as the feed is reckoned."""
    return row.at, row.record.recorded if row.record else row.recorded


def _either(known: Mapping[int | None, Container]) -> set[int | None]:
    """The records of what came off feeds into these containers where more than one of what it may be of was not spliced
    on: it is of one of those."""
    rows = Derivation.objects.filter(result__in=known, record__isnull=False, superseded=None)
    there = list(rows.values_list("record", "record__feed", "source"))
    splices = FeedRecord.objects.filter(feed__in={feed for _, feed, _ in there}, act=FeedRecord.Act.SPLICE)
    spliced = set(splices.filter(superseded=None).values_list("feed", "container"))
    bases = Counter(record for record, feed, source in there if (feed, source) not in spliced)
    return {record for record, number in bases.items() if number > 1}


def _inspected(
    known: Mapping[int | None, Container], filled: Collection[int | None], at: int, fresh: Fresh
) -> Iterator[tuple[int | None, Change]]:
    """What inspections took out. Where every piece was inspected that counted them; what a sample rejected is no longer
    in the quantity that a container came with, and so is put back to be taken out when it was."""
    for row in InspectionCount.objects.filter(container__in=known).select_related("inspection"):
        pk, moment, rejected = row.container_id, (row.inspection.at, row.inspection.recorded), Decimal(row.rejected)
        if row.inspection.manner not in (Manner.EVERY, Manner.SORTED):
            if pk not in filled:
                yield pk, ((0, 0), Left(rejected, rejected))
            if row.inspection.at <= at:
                yield pk, (moment, _less(rejected))
        elif row.inspection.at <= at:
            good = row.inspected - rejected
            fresh[pk].append((moment, Left(good, good)))


def _poured(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was poured into bins and baths, or on what hung somewhere, and places filled by hand."""
    acts = FeedRecord.Act
    records = FeedRecord.objects.filter(container__in=known, happened__lte=at, superseded=None)
    for record in records.select_related("feed"):
        pk, moment = record.container_id, (record.happened, record.recorded)
        if record.act == acts.HAND_FILL:
            yield pk, (moment, _less(Decimal(1)))
        elif record.act == acts.CHARGE:
            fresh[pk].append((moment, EMPTY))
        elif record.act == acts.TOP_UP or record.act in (acts.LOAD, acts.FOUND) and record.feed.kind not in HANGS:
            poured = record.quantity
            yield pk, (moment, None if poured is None else Left(-Decimal(poured), NONE))
        elif record.quantity is not None:  # counted as it was put on, before anything was drawn
            held = Left(Decimal(record.at_least or 0), Decimal(record.quantity))
            fresh[pk].append(((record.happened - 1, record.recorded), held))


def _by_hand(known: Mapping[int | None, Container], at: int) -> Iterator[tuple[int | None, Change]]:
    """What was fitted at benches, taken out of units again, and scrapped."""
    fittings = Fitting.objects.filter(container__in=known, since__lte=at, superseded=None)
    for pk, *since in fittings.values_list("container", "since", "recorded"):
        yield pk, ((since[0], since[1]), _less(Decimal(1)))
    for salvage in Salvage.objects.filter(result__in=known, at__lte=at, superseded=None):
        yield salvage.result_id, ((salvage.at, salvage.recorded), Left(Decimal(1), Decimal(1)))
    for scrapped in ScrappedParts.objects.filter(container__in=known, at__lte=at, superseded=None):
        yield scrapped.container_id, ((scrapped.at, scrapped.recorded), _less(scrapped.quantity))


def _drawn(known: Mapping[int | None, Container], at: int, fresh: Fresh) -> Iterator[tuple[int | None, Change]]:
    """What was drawn from containers where they hung, span by span: surely where nothing else may have given it.
    What left a place and did not come back to stock was used up, or thrown away with it."""
    acts = FeedRecord.Act
    put_on = FeedRecord.objects.filter(container__in=known, act__in=STAYS, happened__lte=at, superseded=None)
    every = Feed.objects.filter(pk__in=put_on.values("feed"), kind__in=HANGS)
    feeds = {feed.pk: feed for feed in every.select_related("axis__tape", "axis__station")}
    there: dict[int, list[Span]] = defaultdict(list)
    for span in list_hung(feeds.values()):
        if span.since <= at:
            there[span.feed_id].append(span)
    records: dict[int, list[FeedRecord]] = defaultdict(list)
    for record in FeedRecord.objects.filter(feed__in=feeds, happened__lte=at, superseded=None).order_by(
        "last", "happened", "id"
    ):
        records[record.feed_id].append(record)
    poured = {
        (pk, r.container_id, r.first) for pk, there_too in records.items() for r in there_too if r.act == acts.TOP_UP
    }
    ours = {
        pk: [s for s in there[pk] if s.container_id in known and (pk, s.container_id, s.first) not in poured]
        for pk in feeds
    }
    draws, reached = list_draws_of(feeds, ours), list_reached(feeds.values())
    for pk, feed in feeds.items():
        taken = draws[pk]
        if feed.axis.kind == Axis.Kind.CLOCK:  # on others nothing says when a draw was: all of them count
            taken = [replace(d, sure=d.sure and d.last <= at) for d in taken if d.first <= at]
        if pk in reached:
            surely, perhaps = reached[pk]
            taken = [replace(d, sure=d.first < surely) for d in taken if d.first < perhaps]
        counted = {r.container_id: r for r in records[pk] if r.act == acts.FOUND and r.quantity is not None}
        for span in ours[pk]:
            found = counted.get(span.container_id)
            if found is None or found.last <= span.first:
                # By when it was put on, not from when on it may have been: a count before that was of it whole.
                mine = [r for r in records[pk] if r.container_id == span.container_id and r.act in STAYS]
                put_on_at = ((r.happened, r.recorded) for r in mine if r.happened <= span.until)
                moment = max([(span.since, 0), *put_on_at])
                yield span.container_id, (moment, _use(span, span.first, there[pk], taken))
            elif found.last < span.end:  # it was counted where it was found: what it gave before is in the count
                yield span.container_id, ((found.happened, found.recorded), _use(span, found.last, there[pk], taken))
        over = {span.container_id: span for span in sorted(ours[pk], key=lambda span: span.end)}
        for container, moment, surely in _gone_from(records[pk], known, over, at):
            if surely:
                fresh[container].append((moment, EMPTY))
            else:
                yield container, (moment, Left(-MOST, NONE))


def _gone_from(
    records: Sequence[FeedRecord], known: Iterable[int | None], last: Mapping[int | None, Span], at: int
) -> Iterator[tuple[int | None, Moment, bool]]:
    """The containers that left a place and did not come back to stock, when, and whether surely: not where nobody knows
    which of two was put on first."""
    acts = FeedRecord.Act
    for pk in known:
        mine = [r for r in records if r.container_id == pk and r.act in STAYS | {acts.TAKE_OFF, acts.SEEN_AWAY}]
        if not mine or mine[-1].act not in STAYS:
            continue
        here = mine[-1]
        others = [r for r in records if r != here and r.act in EMPTIES and not _before(r, here)]
        emptied = next((r for r in others if _before(here, r)), None)
        if emptied:
            yield pk, (emptied.happened, emptied.recorded), True
        elif pk in last and last[pk].until < OPEN and last[pk].until <= at:
            yield pk, (last[pk].until, 0), True
        elif others:
            yield pk, (here.happened, here.recorded), False


def _before(one: FeedRecord, other: FeedRecord) -> bool:
    """Whether it surely came first: as reckoning has it, where both are at one position by the clock."""
    told_first = (one.happened, one.pk) <= (other.happened, other.pk)
    return one.last < other.first or (one.last == other.first and told_first)


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
