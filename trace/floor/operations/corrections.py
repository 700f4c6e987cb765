"""Putting a wrong record right: superseded with a reason, never edited."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.draws import length_class, reckon_after, reckon_feed
from trace.floor.models import Pass, Skip, Unit
from trace.floor.scans import bound_anew
from trace.holds.gate import moving
from trace.ledger.operation import note
from trace.material.models import Feed, FeedRecord, Tape


class CorrectionRefused(Refusal):
    """A record can't be corrected as asked."""

    code = "correction-refused"
    action = "Open the record again: somebody may have corrected it before you."


@moving
def void_pass(*, entry: Pass, reason: str, by: Person, at: datetime) -> Pass:
    """A pass that never happened: it drew nothing. It stays readable as superseded.

    Passes that its scans had bounded, and ends that were counted with it, are reckoned anew. Steps that it skipped
    are due again; a use of a deviation stays counted.
    Refuses with CorrectionRefused without a reason or when it was superseded before.
    """
    Unit.objects.select_for_update().get(pk=entry.unit_id)
    entry = Pass.objects.select_for_update(of=("self",)).select_related("unit").get(pk=entry.pk)
    want_standing(entry.superseded, reason)
    if entry.outcome == Pass.Outcome.VOID:
        raise CorrectionRefused("This pass is void already.", action="Nothing needs doing.")
    recorded = to_ticks(now())
    Pass.objects.filter(pk=entry.pk).update(superseded=recorded)
    scans = [scan for scan in (entry.scanned_in, entry.scanned_out) if scan is not None]
    Skip.objects.filter(unit=entry.unit, at__in=scans[:1], superseded=None).update(superseded=recorded)
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
    want_standing(record.superseded, reason)
    record.superseded = to_ticks(now())
    record.save(update_fields=["superseded"])
    note(reason=reason, record=record.pk)
    reckon_feed(feed, by)
    return feed


@moving
def correct_board_sets(
    *, tape: Tape, good: int, found: int, slip: int, reason: str, by: Person, at: datetime
) -> list[Pass]:
    """The count of board sets on a tape had slipped: `good` was the last one seen to be right, at `found`,
    as it was counted, the tape was really at `found + slip` (sets skipped count up, doubled ones down).

    Passes up to `good` stay. From `found` on they shift by `slip`. Between, when it slipped is not known:
    a pass takes the range of both numberings, and of one more slip each way. Passes are superseded and
    copied. Only passes on record are corrected: board sets given afterwards, late entries too, are those of
    the right count. Refuses with CorrectionRefused without a reason, where nothing slipped or nothing was
    drawn since, or where the right count would fall below 0.
    """
    _want_reason(reason)
    if not 0 <= good < found or slip == 0:
        raise CorrectionRefused(
            "The last good board set lies before the finding, and the count is off by at least one.",
            action="Enter both as they were counted, and by how many sets the tape was further on.",
        )
    drawn = Pass.objects.filter(axis__tape=tape, last__gt=good, superseded=None)
    list(Unit.objects.select_for_update().filter(pk__in=drawn.values("unit")).order_by("pk"))
    wrong = list(drawn.select_for_update(of=("self",)).select_related("unit", "station").order_by("pk"))
    if not wrong:
        raise CorrectionRefused(f"Nothing was drawn from {tape.key} after board set {good}.")
    recorded = to_ticks(now())
    right = []
    for entry in wrong:
        copy = Pass.objects.get(pk=entry.pk)
        copy.pk, copy.recorded, copy.first, copy.last = None, recorded, *_count_anew(entry, found, slip)
        if copy.first < 0:
            raise CorrectionRefused(f"{entry.unit.key} would have drawn before the tape's first board set.")
        if copy.last >= OPEN:
            raise CorrectionRefused(f"No tape has {copy.last} board sets.", action="Check by how many sets it slipped.")
        copy.length_class = length_class(copy.first, copy.last)
        right.append(copy)
    Pass.objects.filter(pk__in=[entry.pk for entry in wrong]).update(superseded=recorded)
    note(*(entry.unit for entry in wrong), reason=reason)
    return Pass.objects.bulk_create(right)


def _count_anew(entry: Pass, found: int, slip: int) -> tuple[int, int]:
    """The board sets of a pass that was counted wrongly, or perhaps so."""
    if entry.first >= found:
        return entry.first + slip, entry.last + slip
    return max(min(entry.first, entry.first + slip) - 1, 0), max(entry.last, entry.last + slip) + 1


def _want_reason(reason: str) -> None:
    if not clean_text(reason, 300, "The reason"):
        raise CorrectionRefused("Say why it is wrong.", action="Give the reason in a sentence.")


def want_standing(superseded: int | None, reason: str) -> None:
    if superseded is not None:
        raise CorrectionRefused("This record was superseded before.")
    _want_reason(reason)
