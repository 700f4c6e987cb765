"""Putting a wrong record right: superseded with a reason, never edited."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.floor.draws import reckon_after, reckon_feed
from trace.floor.models import Pass, Unit
from trace.floor.scans import bound_anew
from trace.holds.gate import moving
from trace.ledger.operation import note
from trace.material.models import Feed, FeedRecord


class CorrectionRefused(Refusal):
    """A record can't be corrected as asked."""

    code = "correction-refused"
    action = "Open the record again: somebody may have corrected it before you."


@moving
def void_pass(*, entry: Pass, reason: str, by: Person, at: datetime) -> Pass:
    """A pass that never happened: it drew nothing. It stays readable as superseded.

    Passes that its scans had bounded, and ends that were counted with it, are reckoned anew.
    Refuses with CorrectionRefused without a reason or when it was superseded before.
    """
    Unit.objects.select_for_update().get(pk=entry.unit_id)
    entry = Pass.objects.select_for_update(of=("self",)).select_related("unit").get(pk=entry.pk)
    _want_standing(entry.superseded, reason)
    recorded = to_ticks(now())
    Pass.objects.filter(pk=entry.pk).update(superseded=recorded)
    note(entry.unit, reason=reason)
    void = Pass.objects.get(pk=entry.pk)
    void.pk, void.superseded, void.recorded, void.closed = None, None, recorded, recorded
    void.outcome, void.drew, void.only, void.inside = Pass.Outcome.VOID, Pass.Drew.NONE, None, False
    void.by = by
    void.save()
    bound_anew(entry, by)
    reckon_after([void], by)
    return void


@moving
def void_feed_record(*, record: FeedRecord, reason: str, by: Person, at: datetime) -> Feed:
    """Something recorded at a feed did not happen; its spans are reckoned without it.

    Refuses with CorrectionRefused without a reason or when it was superseded before.
    """
    feed = Feed.objects.select_for_update(of=("self",)).select_related("axis__tape").get(pk=record.feed_id)
    record = FeedRecord.objects.get(pk=record.pk)
    _want_standing(record.superseded, reason)
    record.superseded = to_ticks(now())
    record.save(update_fields=["superseded"])
    note(reason=reason, record=record.pk)
    reckon_feed(feed, by)
    return feed


def _want_standing(superseded: int | None, reason: str) -> None:
    if superseded is not None:
        raise CorrectionRefused("This record was superseded before.")
    if not reason.strip():
        raise CorrectionRefused("Say why it is wrong.", action="Give the reason in a sentence.")
