"""Placing and releasing holds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db.models import Model

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.holds.gate import holding
from trace.holds.models import Hold
from trace.holds.rules import Move
from trace.ledger.canonical import subject_of
from trace.ledger.operation import note


class HoldRefused(Refusal):
    """A hold can't be placed or released as asked."""

    code = "hold-refused"
    action = "Give the reason in a sentence: whoever is stopped by it will read it."


@holding
def place_holds(
    *, targets: Sequence[Model], reason: str, permits: Sequence[Move] = (), by: Person, at: datetime
) -> list[Hold]:
    """Stop every move of the targets but those permitted, all of them or none.

    A target named twice is held once. Refuses with HoldRefused when the reason is empty or nothing
    is named.
    """
    return write_holds(targets, reason, permits, by, at)


def write_holds(targets: Sequence[Model], reason: str, permits: Sequence[Move], by: Person, at: datetime) -> list[Hold]:
    """What `place_holds` does, for an operation with its gate that takes in what must not move."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise HoldRefused("A hold needs a reason.")
    if not targets:
        raise HoldRefused("A hold needs something to hold.", action="Name what is to stop, then place the hold.")
    recorded = now()
    holds = [
        Hold(
            target_kind=kind,
            target_key=key,
            reason=reason,
            permits=[move.value for move in permits],
            placed=at,
            placed_by=by,
            recorded=recorded,
        )
        for kind, key in dict.fromkeys(map(subject_of, targets))
    ]
    return Hold.objects.bulk_create(holds)


def carry_holds(sources: Sequence[Model], result: Model, besides: Model, by: Person, at: datetime) -> list[Hold]:
    """What is open on any of these stands on what came of them, too, but for the holds on `besides`, which reach it
    anyhow. For an operation that makes the `result`: nobody can have moved that before."""
    wanted = {subject_of(source) for source in sources} - {subject_of(besides)}
    named = Hold.objects.filter(released=None, target_key__in={key for _, key in wanted}).order_by("id")
    holds = []
    for one in named:
        if (one.target_kind, one.target_key) in wanted:
            holds += write_holds([result], one.sentence[:300], [Move(move) for move in one.permits], by, at)
    return holds


@holding
def release_hold(*, hold: Hold, reason: str, by: Person, at: datetime) -> Hold:
    """End a hold. Refuses with HoldRefused without a reason, or when it was released before."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise HoldRefused("A release needs its reason and evidence.")
    hold = Hold.objects.select_for_update().get(pk=hold.pk)
    if hold.released:
        raise HoldRefused(f"The {hold} was released before.", action="Nothing needs doing.")
    hold.released, hold.released_by, hold.release_reason, hold.release_recorded = at, by, reason, now()
    hold.save(update_fields=["released", "released_by", "release_reason", "release_recorded"])
    note((hold.target_kind, hold.target_key))
    return hold
