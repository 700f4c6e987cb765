"""Keeping feeds' spans and remainders in step with their records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from trace.core.clock import now, to_ticks
from trace.core.models import Person
from trace.material.clocks import mark_exposed
from trace.material.facts import BY_DRAWS, Reckoning, Record, SpanFacts
from trace.material.models import Derivation, Feed, FeedRecord, Span

EMPTYING = ["load", "clear", "take-off"]
"""Acts that leave nothing in the place of what was there before."""


@dataclass(frozen=True)
class Standing:
    """What of a feed is reckoned anew: from its last sure emptying on, the anchor (None: from the beginning), its
    records and standing spans, these with their ids."""

    anchor: int | None
    since: int
    records: list[Record]
    spans: dict[SpanFacts, int]

    @property
    def counts_since(self) -> int | None:
        """The position from which draws matter to the spans, None where they don't."""
        counting = (r.first for r in self.records if r.act in BY_DRAWS or r.quantity is not None)
        return min(counting, default=None)


def keep_spans(
    feeds: Sequence[Feed], standing: Mapping[int, Standing], reckoned: Mapping[int, Reckoning], by: Person
) -> None:
    """Supersede the spans and remainders of feeds that are reckoned otherwise now. For use in an operation."""
    recorded = to_ticks(now())
    gone, come, remainders = list[int](), list[Span](), dict[int, set[int | None]]()
    for feed in feeds:
        was, reckoning = standing[feed.pk], reckoned[feed.pk]
        wanted = {facts for facts in reckoning.spans if facts.first >= was.since}
        gone += [pk for facts, pk in was.spans.items() if facts not in wanted]
        come += [
            Span(
                feed=feed,
                axis_id=feed.axis_id,
                container_id=facts.container,
                first=facts.first,
                end=facts.end,
                sure_from=facts.sure_from,
                since=facts.since,
                until=facts.until,
                oldest=facts.oldest,
                recorded=recorded,
            )
            for facts in reckoning.spans
            if facts in wanted and facts not in was.spans
        ]
        remainders |= {record: sources for record, sources in reckoning.remainders.items() if record != was.anchor}
    if gone:
        Span.objects.filter(pk__in=gone).update(superseded=recorded)
    Span.objects.bulk_create(come)
    if remainders:
        _keep_remainders(remainders, recorded, by)
    turned = [feed for feed in feeds if feed.unsettled == reckoned[feed.pk].settled]
    for feed in turned:
        feed.unsettled = not feed.unsettled
    Feed.objects.bulk_update(turned, ["unsettled"])


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
