"""Placing and releasing holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.db import connection
from django.db.models import Min, Model

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import clean_text, free_key
from trace.core.models import Person
from trace.core.sql import insert_rows
from trace.holds.gate import holding
from trace.holds.models import Decision, Disposition, Hold
from trace.holds.rules import PERMITS, Move
from trace.ledger.canonical import subject_of
from trace.ledger.operation import note, operation

MATERIAL = ("lot", "container")


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
    return hold_subjects([subject_of(target) for target in targets], reason, permits, by, at)


def hold_subjects(
    subjects: Sequence[tuple[str, str]],
    reason: str,
    permits: Sequence[Move],
    by: Person,
    at: datetime,
    under: str = "",
) -> list[Hold]:
    """The same of things by kind and key; `under` is the key of the containment for which they are held."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise HoldRefused("A hold needs a reason.")
    if not subjects:
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
            under=under,
        )
        for kind, key in dict.fromkeys(subjects)
    ]
    return Hold.objects.bulk_create(holds)


MANY = 1_000
"""Things held at once, from which on a database is told so."""


def hold_population(
    subjects: Mapping[tuple[str, str], Sequence[Move]], reason: str, by: Person, at: datetime, under: str
) -> None:
    """Hold many thousand things (kind and key, each with the moves that it may still make) for a containment, for an
    operation that takes the gate."""
    recorded = now()
    words = {permits: [move.value for move in permits] for permits in map(tuple, subjects.values())}
    insert_rows(
        Hold,
        (
            *("target_kind", "target_key", "permits", "reason", "placed", "placed_by", "recorded", "under"),
            "release_reason",
        ),
        (
            (kind, key, words[tuple(permits)], reason, at, by.pk, recorded, under, "")
            for (kind, key), permits in subjects.items()
        ),
    )
    if connection.vendor == "postgresql" and len(subjects) >= MANY:
        # Whoever looked for a hold while there were few goes on to read them all, until it is told that there are many.
        with connection.cursor() as cursor:
            cursor.execute(f"ANALYZE {Hold._meta.db_table}")


def carry_holds(sources: Sequence[Model], result: Model, besides: Model, by: Person, at: datetime) -> list[Hold]:
    """What is open on any of these stands on what came of them, too, but for the holds on `besides`, which reach it
    anyhow. Of what is no material itself (a feed, a unit) only a containment's holds do so: they alone speak of what
    is in it; and what that may still do says nothing of what came out of it.

    For an operation that makes the `result`, so that nobody can have moved that before, or has it locked."""
    wanted = {subject_of(source) for source in sources} - {subject_of(besides)}
    named = Hold.objects.filter(released=None, target_key__in={key for _, key in wanted}).order_by("id")
    before = list_holding(result)  # a containment holds a thing once
    holds: list[Hold] = []
    for one in named:
        material = one.target_kind in MATERIAL
        if (one.target_kind, one.target_key) in wanted and one.under not in before and (one.under or material):
            permits = [Move(move) for move in one.permits] if material else []
            holds += hold_subjects([subject_of(result)], one.sentence[:300], permits, by, at, one.under)
            before |= {one.under} - {""}
    return holds


def hold_as_stopped(things: Sequence[Model], since: datetime, by: Person, at: datetime) -> list[Hold]:
    """What was on record as gone until now is held under every containment that stopped anything since then: no stop
    reached it. For an operation that brings it back, and has it locked."""
    stopped = Hold.objects.filter(recorded__gte=since).exclude(under="")
    firsts = stopped.values("under").annotate(first=Min("pk")).order_by("under").values_list("first", flat=True)
    subjects = {subject_of(thing) for thing in things}
    holds: list[Hold] = []
    for one in Hold.objects.filter(pk__in=list(firsts)).order_by("pk"):
        standing = Hold.objects.filter(under=one.under, released=None, target_key__in=[key for _, key in subjects])
        new = sorted(subjects - set(standing.values_list("target_kind", "target_key")))
        holds += hold_subjects(new, one.reason, (), by, at, one.under) if new else []
    return holds


def list_holding(thing: Model) -> set[str]:
    """The keys of the containments that hold a thing."""
    kind, key = subject_of(thing)
    standing = Hold.objects.filter(released=None, target_kind=kind, target_key=key).exclude(under="")
    return set(standing.values_list("under", flat=True))


@holding
def release_hold(*, hold: Hold, reason: str, by: Person, at: datetime) -> Hold:
    """End a hold. Refuses with HoldRefused without a reason, when it was released before, and one of a containment:
    that is released there, once it is settled what becomes of it."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise HoldRefused("A release needs its reason and evidence.")
    hold = Hold.objects.select_for_update().get(pk=hold.pk)
    if hold.released:
        raise HoldRefused(f"The {hold} was released before.", action="Nothing needs doing.")
    if hold.under:
        raise HoldRefused(f"The {hold} is one of containment {hold.under}.", action="Release it from the containment.")
    hold.released, hold.released_by, hold.release_reason, hold.release_recorded = at, by, reason, now()
    hold.save(update_fields=["released", "released_by", "release_reason", "release_recorded"])
    note((hold.target_kind, hold.target_key))
    return hold


class DispositionRefused(Refusal):
    """A disposition can't be decided or withdrawn so."""

    code = "disposition-refused"
    action = "Correct what is named, and try again."


@operation()
def decide_disposition(
    *, key: str, subject: Model, decision: Decision, reason: str, evidence: str = "", by: Person, at: datetime
) -> Disposition:
    """Decide what becomes of something that does not conform: a unit that failed too often, what is held.

    It counts once a quality engineer other than who decides it has approved it by signature. From then on the holds
    placed before it permit the moves that follow from the decision (`PERMITS`), and a unit may be tried once more
    where that is the decision. Refuses with DispositionRefused without a reason; with BadKey, KeyInUse, BadText.
    """
    key, reason = free_key(Disposition, key), clean_text(reason, 300, "The reason")
    if not reason:
        raise DispositionRefused("Say why it is decided so.", action="Give the reason in a sentence.")
    kind, target = subject_of(subject)
    return Disposition.objects.create(
        key=key,
        target_kind=kind,
        target_key=target,
        decision=decision,
        reason=reason,
        evidence=clean_text(evidence, 300, "The evidence"),
        permits=[move.value for move in PERMITS[Decision(decision)]],
        decided=at,
        decided_by=by,
        recorded=now(),
    )


@holding
def withdraw_disposition(*, disposition: Disposition, reason: str, by: Person, at: datetime) -> Disposition:
    """A disposition permits nothing more; what it decided of is undecided then, whatever was decided before.

    Refuses with DispositionRefused without a reason, and what was withdrawn before; with BadText."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise DispositionRefused("Say why it is withdrawn.", action="Give the reason in a sentence.")
    disposition = Disposition.objects.select_for_update(of=("self",)).get(pk=disposition.pk)
    if disposition.withdrawn:
        raise DispositionRefused(f"{disposition} was withdrawn before.", action="Nothing needs doing.")
    disposition.withdrawn, disposition.withdrawn_by, disposition.withdraw_reason = at, by, reason
    disposition.save(update_fields=["withdrawn", "withdrawn_by", "withdraw_reason"])
    note((disposition.target_kind, disposition.target_key))
    return disposition
