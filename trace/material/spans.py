"""Keeping a feed's spans and remainders in step with its records."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import F

from trace.core.clock import now, to_ticks
from trace.core.models import Person
from trace.material.clocks import mark_exposed
from trace.material.facts import BY_DRAWS, Draw, Record, SpanFacts
from trace.material.models import Axis, Derivation, Feed, FeedRecord, Span
from trace.material.rules import reckon


def find_anchor(feed: Feed, since: int) -> FeedRecord | None:
    """The last record before a position at which the place was surely emptied, with every other record
    surely before it or after it: nothing from there on follows from what was before, nor the other way."""
    records = FeedRecord.objects.filter(feed=feed, superseded=None)
    emptied = records.filter(act__in=ANCHORS, first=F("last"), last__lt=since).order_by("-last", "-id")
    for record in emptied[:TRIES]:
        if not records.filter(first__lte=record.first, last__gte=record.first).exclude(pk=record.pk).exists():
            return record
    return None


def list_records(feed: Feed, anchor: FeedRecord | None = None) -> list[Record]:
    """The feed's records that stand, from an anchor on, as reckoning sees them."""
    rows = FeedRecord.objects.filter(feed=feed, superseded=None)
    if anchor:
        rows = rows.filter(first__gte=anchor.first)
    return [
        Record(
            id=row.pk,
            act=row.act,
            container=row.container_id,
            first=row.first,
            last=row.last,
            lead=row.lead or 0,
            tolerance=row.tolerance or 0,
            quantity=row.quantity,
            at_least=row.at_least,
            left=row.left,
            cleaned=row.cleaned,
            happened=row.happened,
            error=row.error,
        )
        for row in rows
    ]


ANCHORS = frozenset({"load", "clear", "take-off"})
"""Acts that leave nothing in the place of what was there before."""

TRIES = 5
"""How many of the last emptyings are tried as an anchor."""


def counts_draws(records: Sequence[Record]) -> int | None:
    """The position from which draws matter to this feed's spans, None where they don't."""
    counting = (r.first for r in records if r.act in BY_DRAWS or r.quantity is not None)
    return min(counting, default=None)


def keep_spans(
    *,
    feed: Feed,
    records: Sequence[Record],
    draws: Sequence[Draw],
    places: int,
    by: Person,
    anchor: FeedRecord | None = None,
) -> None:
    """Reckon a feed, from an anchor on, and supersede the spans and remainders that changed. For use in an
    operation."""
    on_clock = feed.axis.kind == Axis.Kind.CLOCK
    reckoning = reckon(records, draws, on_clock=on_clock, places=places)
    recorded = to_ticks(now())
    since = anchor.first if anchor else 0
    _keep(feed, [span for span in reckoning.spans if span.first >= since], recorded, since)
    if anchor:
        reckoning.remainders.pop(anchor.pk, None)
    _keep_remainders(reckoning.remainders, recorded, by)
    if feed.unsettled == reckoning.settled:
        feed.unsettled = not reckoning.settled
        feed.save(update_fields=["unsettled"])


def _keep(feed: Feed, spans: Sequence[SpanFacts], recorded: int, since: int) -> None:
    standing = {
        SpanFacts(row.first, row.end, row.container_id, row.sure_from, row.since, row.until, row.oldest): row.pk
        for row in Span.objects.filter(feed=feed, superseded=None, first__gte=since)
    }
    wanted = set(spans)
    gone = [pk for facts, pk in standing.items() if facts not in wanted]
    Span.objects.filter(pk__in=gone).update(superseded=recorded)
    Span.objects.bulk_create(
        Span(
            feed=feed,
            container_id=facts.container,
            first=facts.first,
            end=facts.end,
            sure_from=facts.sure_from,
            since=facts.since,
            until=facts.until,
            oldest=facts.oldest,
            recorded=recorded,
        )
        for facts in spans
        if facts not in standing
    )


def _keep_remainders(remainders: dict[int, set[int | None]], recorded: int, by: Person) -> None:
    taken_off = FeedRecord.objects.select_related("container").in_bulk(remainders)
    standing = {
        (row.record_id, row.source_id): row.pk
        for row in Derivation.objects.filter(record__in=remainders, superseded=None)
    }
    wanted = {
        (record_id, source)
        for record_id, sources in remainders.items()
        for source in sources
        if source != taken_off[record_id].container_id
    }
    Derivation.objects.filter(pk__in=[pk for key, pk in standing.items() if key not in wanted]).update(
        superseded=recorded
    )
    made = Derivation.objects.bulk_create(
        Derivation(
            result=taken_off[record_id].container,
            source_id=source,
            deed=Derivation.Deed.REMAINDER,
            at=taken_off[record_id].happened,
            error=taken_off[record_id].error,
            record_id=record_id,
            by=by,
            recorded=recorded,
        )
        for record_id, source in sorted(wanted, key=lambda key: (key[0], key[1] or 0))
        if (record_id, source) not in standing
    )
    mark_exposed({row.result_id: row.at for row in made})
