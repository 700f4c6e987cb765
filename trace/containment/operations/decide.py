"""What becomes of what is held: decided together, sorted by a test."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db.models import Model, TextChoices

from trace.containment.holding import list_holds
from trace.containment.models import Clearing, Containment, SnapshotUnit
from trace.containment.operations.alarms import LISTED, ContainmentRefused, lock_open
from trace.containment.population import find_latest
from trace.containment.sorting import explain_untested
from trace.core.clock import now, now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text, next_key
from trace.core.models import Person
from trace.core.sql import insert_rows
from trace.engineering.models import Characteristic, Step
from trace.floor.models import Unit
from trace.genealogy.rules import Sureness
from trace.holds.models import Decision, Disposition, DispositionMember, Hold
from trace.holds.queries import Subject, find_governing
from trace.holds.rules import PERMITS, digest_members
from trace.ledger.canonical import subject_of
from trace.ledger.operation import note, operation

CHUNK = 2_000


class Group(TextChoices):
    """What of a containment is decided together."""

    CERTAIN = "certain", "units that surely carry it"
    POSSIBLE = "possible", "units that possibly carry it"
    UNITS = "units", "units"
    MATERIAL = "material", "lots, containers, tapes and feeds"


SURENESS = {
    Group.CERTAIN: (Sureness.CERTAIN.value,),
    Group.POSSIBLE: (Sureness.POSSIBLE.value,),
}
MATERIAL = ("lot", "container", "tape", "feed")


@operation()
def decide_contained(
    *,
    containment: Containment,
    group: Group | None = None,
    things: Sequence[Model] = (),
    decision: Decision,
    reason: str,
    evidence: str = "",
    by: Person,
    at: datetime,
) -> Disposition:
    """Decide what becomes of a group of what the containment holds (how sure units are, by its latest snapshot), or of
    these things among it, or of both. What is held later is decided of later.

    It counts as any disposition does, by one signature; a later one of a single thing counts for that instead. Refuses
    with ContainmentRefused without a reason, without anything, and what the containment does not hold; with BadText.
    """
    containment = lock_open(containment)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise ContainmentRefused("Say why it is decided so.", action="Give the reason in a sentence.")
    members = list_held(containment, group) if group else set()
    members |= _want_held(containment, {subject_of(thing) for thing in things})
    if not members:
        raise ContainmentRefused(
            f"Nothing that {containment} holds is meant.", action="Stop it first, or choose another group."
        )
    one = Disposition.objects.create(
        key=next_key(Disposition, "D"),
        target_kind="containment",
        target_key=containment.key,
        decision=Decision(decision),
        reason=reason,
        evidence=clean_text(evidence, 300, "The evidence"),
        permits=[move.value for move in PERMITS[Decision(decision)]],
        member_digest=digest_members(members),
        decided=at,
        decided_by=by,
        recorded=now(),
    )
    insert_rows(DispositionMember, ("disposition", "kind", "key"), ((one.pk, *member) for member in sorted(members)))
    note(members=len(members), member_digest=one.member_digest)
    return one


def list_held(containment: Containment, group: Group) -> set[Subject]:
    """What of a group the containment holds."""
    holds = list_holds(containment).filter(released=None)
    if group == Group.MATERIAL:
        holds = holds.filter(target_kind__in=MATERIAL)
    else:
        holds = holds.filter(target_kind="unit")
        if group in SURENESS:
            latest = find_latest(containment)
            units = SnapshotUnit.objects.filter(snapshot=latest, sureness__in=SURENESS[group])
            holds = holds.filter(target_key__in=units.values("unit__key"))
    return set(holds.values_list("target_kind", "target_key"))


def _want_held(containment: Containment, subjects: set[Subject]) -> set[Subject]:
    """Refuse with ContainmentRefused a thing that the containment does not hold."""
    if subjects:
        kinds, keys = zip(*subjects, strict=True)
        open_holds = list_holds(containment).filter(released=None, target_kind__in=kinds, target_key__in=keys)
        if unheld := subjects - set(open_holds.values_list("target_kind", "target_key")):
            kind, key = min(unheld)
            raise ContainmentRefused(f"{containment} does not hold {kind} {key}.", action="Look at what it holds.")
    return subjects


class SortRefused(Refusal):
    """Units are not cleared so."""

    code = "sort-refused"
    action = "Have them sorted by an approved disposition and tested, then clear those that passed."


@operation()
def clear_units(
    *,
    containment: Containment,
    units: Sequence[Unit],
    evidence: str,
    step: Step | None = None,
    characteristic: Characteristic | None = None,
    by: Person,
    at: datetime,
) -> list[Clearing]:
    """A sort test shows that these units are none of the population. Where the test is on record its `step` or the
    `characteristic` that it measures is named: the latest result since the unit was held must have passed.

    Clears all of them or none. Refuses with SortRefused a unit that the containment does not hold, one whose sorting is
    not decided and approved, one that failed or was not tested since, one that is cleared; with ContainmentRefused
    without evidence; with BadText.
    """
    containment = lock_open(containment)
    evidence = clean_text(evidence, 300, "The evidence")
    if not evidence or not units:
        raise ContainmentRefused(
            "Say which units are cleared, and by what test.", action="Such as: report 12 of the lab."
        )
    wanted = {unit.key: unit for unit in units}
    holds = list(list_holds(containment).filter(released=None, target_kind="unit", target_key__in=list(wanted)))
    wrong = explain_untested([(wanted[hold.target_key], hold) for hold in holds], step, characteristic)
    wrong |= _explain_unsorted(wanted, holds)
    before = Clearing.objects.filter(containment=containment, unit__in=wanted.values(), superseded=None)
    wrong |= dict.fromkeys(before.values_list("unit__key", flat=True), "is cleared already")
    if wrong:
        listed = [f"Unit {key} {what}." for key, what in sorted(wrong.items())]
        raise SortRefused(" ".join(listed[:3]), units=listed[:LISTED])
    return Clearing.objects.bulk_create(
        (
            Clearing(containment=containment, unit=unit, evidence=evidence, cleared=to_ticks(at), by=by)
            for unit in wanted.values()
        ),
        batch_size=CHUNK,
    )


def _explain_unsorted(units: dict[str, Unit], holds: Sequence[Hold]) -> dict[str, str]:
    """{key: what is wrong} of the units that are not held, or not to be sorted."""
    governing = find_governing(holds)
    sorted_out = {h.target_key for h in holds if h.pk in governing and governing[h.pk].decision == Decision.SORT}
    held = {hold.target_key for hold in holds}
    return {
        key: "is not to be sorted by a disposition that counts" if key in held else "is not held by the containment"
        for key in units.keys() - sorted_out
    }


@operation()
def void_clearing(*, clearing: Clearing, reason: str, by: Person, at: datetime) -> Clearing:
    """A unit was cleared wrongly: it is as its genealogy says again. It is held anew by the next stop, if it was
    released. Refuses with ContainmentRefused without a reason, what was voided before; with BadText."""
    lock_open(clearing.containment)
    clearing = Clearing.objects.select_for_update(of=("self",)).get(pk=clearing.pk)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise ContainmentRefused("Say why it no longer counts.", action="Give the reason in a sentence.")
    if clearing.superseded is not None:
        raise ContainmentRefused("That was voided before.", action="Nothing needs doing.")
    clearing.superseded, clearing.superseded_by, clearing.reason = now_ticks(), by, reason
    clearing.save(update_fields=["superseded", "superseded_by", "reason"])
    note(clearing.containment, clearing.unit)
    return clearing
