"""Putting a wrong record right: superseded with a reason, never edited."""

from __future__ import annotations

from datetime import datetime
from typing import TypeVar

from trace.core.clock import OPEN, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.admission import places_of
from trace.floor.draws import length_class, reckon_after, reckon_feed
from trace.floor.models import BatchPass, Carried, Carrier, Fitting, Pass, Salvage, Skip, Unit
from trace.floor.queries import find_last_known, lock_units
from trace.floor.scans import bound_anew, end_anew
from trace.holds.gate import moving
from trace.ledger.operation import note, operation
from trace.material.models import Container, Count, Feed, FeedRecord, ScrappedParts, Tape

A = TypeVar("A", Count, ScrappedParts)


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
def void_fitting(*, fitting: Fitting, reason: str, by: Person, at: datetime) -> Fitting:
    """What stands at a designator was never fitted, or never removed: the place holds again what it held before, a
    child is free, a bin gave no part. Both stay readable as superseded. What it meant for other records is reckoned
    anew; a use of a deviation stays counted.

    Refuses with CorrectionRefused without a reason, when it was superseded before or something was done at the place
    since, what was found and not put there, what was kept in a container when it was removed, and where what stood
    there before has been elsewhere since.
    """
    (unit,) = lock_units([Unit.objects.get(pk=fitting.unit_id)])
    fitting = Fitting.objects.select_related("unit", "child", "feed").get(pk=fitting.pk)
    want_standing(fitting.superseded, reason)
    if fitting.until is not None:
        raise CorrectionRefused(
            f"{fitting.designator} of {unit.key} was changed since.", action="Void what was recorded later first."
        )
    before = _stood_before(fitting)
    _want_undone(fitting, before)
    recorded = to_ticks(now())
    Fitting.objects.filter(pk__in=[one.pk for one in (fitting, before) if one]).update(superseded=recorded)
    if before:
        # The row as it was says what was believed meanwhile.
        before.pk, before.until, before.ended, before.recorded, before.by = None, None, None, recorded, by
        before._state.adding = True
        before.save()
        if before.child:
            note(before.child)
    if fitting.child:
        note(fitting.child)
        end_anew(fitting.child, fitting.since, by)
    if fitting.feed:
        reckon_feed(fitting.feed, by)
    note(unit, reason=reason)
    fitting.refresh_from_db()
    return fitting


def _stood_before(fitting: Fitting) -> Fitting | None:
    """What a fitting ended at its place."""
    there = Fitting.objects.filter(unit=fitting.unit_id, designator=fitting.designator, superseded=None)
    earlier = there.exclude(pk=fitting.pk).select_related("child")
    return earlier.order_by("-since", "-pk").first()


def _want_undone(fitting: Fitting, before: Fitting | None) -> None:
    """It can be undone without saying of anything else that it was in two places."""
    found = fitting.earliest is not None or fitting.holds == Fitting.Holds.UNKNOWN
    if found or before and before.doubted is not None:
        raise CorrectionRefused(
            f"What is at {fitting.designator} was found there, not put.", action="Record what is there now as found."
        )
    removed = Salvage.objects.filter(
        unit=fitting.unit_id, designator=fitting.designator, at=fitting.since, superseded=None
    )
    if kept := removed.select_related("result").first():
        raise CorrectionRefused(
            f"What was removed is on record in {kept.result.key}.",
            action="Fit it again from there, or call the quality engineer.",
        )
    child = before.child if before else None
    if child is None or before is None or before.until is None:
        return
    if home := Fitting.objects.filter(child=child, until=None, superseded=None).select_related("unit").first():
        raise CorrectionRefused(
            f"{child.key} stood there before, and is on record in {home.unit.key} now.",
            action="Void that first, or remove it there with a record.",
        )
    where = places_of([child]).get(child.pk) or Carried.objects.filter(unit=child, until=None, superseded=None)
    if where or find_last_known([child])[child.pk] > before.until:
        raise CorrectionRefused(
            f"{child.key} stood there before, and has been elsewhere on record since.",
            action="Correct what was recorded of it since, or remove it by a record with the right time.",
        )


@operation()
def void_slot(*, place: Carried, reason: str, by: Person, at: datetime) -> Carried:
    """A unit never stood in this slot. Put it into the right one with a record of its own.

    Passes that it made with the rack stay: void those too, where it was not in the rack at all. Refuses with
    CorrectionRefused without a reason, when it was superseded before, and a board of a panel.
    """
    carrier = Carrier.objects.select_for_update().get(pk=place.carrier_id)
    place = Carried.objects.select_related("unit", "carrier").get(pk=place.pk)
    want_standing(place.superseded, reason)
    if carrier.goes_as_one:
        raise CorrectionRefused(
            f"{place.unit.key} is a board of panel {carrier.key}.", action="Part the panel, and label it anew."
        )
    place.superseded = to_ticks(now())
    place.save(update_fields=["superseded"])
    note(place.unit, carrier, reason=reason)
    return place


@operation()
def void_count(*, count: Count, reason: str, by: Person, at: datetime) -> Count:
    """A count was wrong: what is left goes by the one before. Refuses with CorrectionRefused without a reason, when it
    was superseded before, and the count of a batch at a station, which is voided with that."""
    return _void_amount(count, "count", reason)


@operation()
def void_scrapped_parts(*, scrapped: ScrappedParts, reason: str, by: Person, at: datetime) -> ScrappedParts:
    """Parts of a container were not scrapped. Refuses as void_count."""
    return _void_amount(scrapped, "scrap", reason)


def _void_amount(amount: A, name: str, reason: str) -> A:
    """`name` is what it would be to the pass of a batch."""
    container = Container.objects.select_for_update().get(pk=amount.container_id)
    amount.refresh_from_db()
    want_standing(amount.superseded, reason)
    within = BatchPass.objects.filter(superseded=None, **{name: amount}).select_related("step", "container")
    if batch := within.first():
        raise CorrectionRefused(
            f"It belongs to {batch.container.key} going through {batch.step}.", action="Void that, where it is wrong."
        )
    amount.superseded = to_ticks(now())
    amount.save(update_fields=["superseded"])
    note(container, reason=reason)
    return amount


@moving
def void_batch(*, entry: BatchPass, reason: str, by: Person, at: datetime) -> BatchPass:
    """A container did not go through this step: it is due again, and what was counted and scrapped there is void.

    Refuses with CorrectionRefused without a reason, when it was superseded before, and while a later step of the
    container is on record.
    """
    container = Container.objects.select_for_update().get(pk=entry.container_id)
    entry = BatchPass.objects.select_related("station", "step").get(pk=entry.pk)
    want_standing(entry.superseded, reason)
    later = BatchPass.objects.filter(container=container, scanned_out__gt=entry.scanned_out, superseded=None)
    if last := later.select_related("step").last():
        raise CorrectionRefused(f"Step {last.step} is on record after it.", action="Void that first.")
    recorded = to_ticks(now())
    entry.superseded = recorded
    entry.save(update_fields=["superseded"])
    Count.objects.filter(pk=entry.count_id).update(superseded=recorded)
    if entry.scrap_id:
        ScrappedParts.objects.filter(pk=entry.scrap_id).update(superseded=recorded)
    note(container, entry.station, reason=reason)
    return entry


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
