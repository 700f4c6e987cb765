"""Stopping everything of a population that is in the plant, and letting it go again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from django.db.models import Max, Model

from trace.containment.holding import Standing, judge_holds, list_to_hold
from trace.containment.models import Containment, Snapshot
from trace.containment.operations.alarms import ContainmentRefused, lock_containment, lock_open
from trace.containment.operations.snapshots import write_snapshot
from trace.containment.population import list_terms, reckon
from trace.core.clock import now, now_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.holds.gate import holding
from trace.holds.models import Hold
from trace.holds.operations import hold_population
from trace.holds.rules import Move, digest_members
from trace.ledger.canonical import subject_of
from trace.ledger.models import Event
from trace.ledger.operation import note

CHUNK = 5_000
LISTED = 20


class NotSettled(Refusal):
    """What becomes of a thing is not settled, or not done: the containment does not let it go."""

    code = "not-settled"
    action = "Have it decided, approved and carried out, then release it."


@holding
def stop_containment(*, containment: Containment, permits: Sequence[Move] = (), by: Person, at: datetime) -> Snapshot:
    """Reckon the population, and hold everything of it that is in the plant and is not held for it yet
    (`containment/holding.py`, `list_to_hold`): all of it or none. Nobody moves anything meanwhile. `permits` are the
    moves that stay possible, as for any hold: to finish a step that can't stop safely.

    What was released to be used as it is is not held anew. Refuses with ContainmentRefused a closed containment, and
    one in which nothing is suspect.
    """
    containment = lock_open(containment)
    if not list_terms(containment):
        raise ContainmentRefused("Nothing is suspect yet.", action="Add what is suspect, then stop.")
    event = Event.objects.aggregate(last=Max("pk"))["last"] or 0
    population = reckon(containment)
    snapshot = write_snapshot(containment, population, event, "stopped", by, at)
    new = list_to_hold(containment, population, now_ticks())
    held = {subject: (*permits, *more) for subject, more in new.items()}
    hold_population(held, reason_of(containment), by, at, containment.key)
    note(held=Counter(kind for kind, _ in new), held_digest=digest_members(new))
    return snapshot


def reason_of(containment: Containment) -> str:
    """What whoever is stopped reads."""
    of = f" (containment {containment})"
    return containment.problem[: 300 - len(of)].rstrip(". ") + of


@holding
def release_contained(
    *, containment: Containment, things: Sequence[Model] = (), reason: str, by: Person, at: datetime
) -> Containment:
    """Release what the containment holds: these things, or without any all that may go by now (`judge_holds`), by the
    population as it is reckoned at that moment.

    Refuses with NotSettled a thing that may not go yet, naming what is missing, and then releases none; with
    ContainmentRefused without a reason, a thing that it does not hold, and where nothing may go; with BadText.
    """
    containment = lock_containment(containment)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise ContainmentRefused("A release needs its reason and evidence.", action="Give the reason in a sentence.")
    asked = {subject_of(thing) for thing in things} or None
    standings = judge_holds(containment, reckon(containment), now_ticks(), asked)
    named = [one for one in standings if asked is None or one.subject in asked]
    if unheld := (asked or set()) - {one.subject for one in named}:
        kind, key = min(unheld)
        raise ContainmentRefused(f"{containment} does not hold {kind} {key}.", action="Look at what it holds.")
    _check_settled([one for one in named if one.missing] if asked else [])
    ready = [one for one in named if not one.missing]
    if not ready:
        raise ContainmentRefused(f"Nothing that {containment} holds may be released yet.", action=NotSettled.action)
    told = {"released": at, "released_by": by, "release_reason": reason, "release_recorded": now()}
    for start in range(0, len(ready), CHUNK):
        Hold.objects.filter(pk__in=[one.hold.pk for one in ready[start : start + CHUNK]]).update(**told)
    note(released=sorted(f"{kind}:{key}" for kind, key in (one.subject for one in ready)))
    return containment


def _check_settled(waiting: Sequence[Standing]) -> None:
    """Refuse with NotSettled where anything waits for something."""
    if waiting:
        more = f" So it is with {len(waiting) - 1} more." if len(waiting) > 1 else ""
        raise NotSettled(waiting[0].missing + more, missing=[one.missing for one in waiting[:LISTED]])
