"""What a step may ask of whoever does it, and who has proved to be able to do it, from when until when.

Periods are never edited: what is told later supersedes what it contradicts. A step judges by what is on record
when it is scanned; what comes later leaves passes as they are.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db.models import Q

from trace.core.clock import Planned, now_ticks
from trace.core.errors import Refusal
from trace.core.keys import free_key
from trace.core.models import Person
from trace.engineering.models import Qualification, Qualified
from trace.engineering.operations.common import changing, save_checked
from trace.ledger.operation import note


class QualificationRefused(Refusal):
    """A qualification, or who has it, can't be recorded so."""

    code = "qualification-refused"
    action = "Correct what is named, and record it again."


@changing
def define_qualification(*, key: str, name: str, by: Person, at: datetime) -> Qualification:
    """Something that a step may ask of whoever does it; `name` as a sentence takes it: hand soldering.

    Refuses with QualificationRefused one without a name; with BadKey, KeyInUse.
    """
    qualification = Qualification(key=free_key(Qualification, key), name=name.strip())
    save_checked(qualification, QualificationRefused)
    return qualification


@changing
def qualify_person(
    *,
    person: Person,
    qualification: Qualification,
    since: Planned,
    until: Planned | None = None,
    vouched_by: Person | None = None,
    remark: str = "",
    by: Person,
    at: datetime,
) -> Qualified:
    """The person has the qualification from `since` up to `until`, without an end where none is given.

    Whoever records it vouches for it, unless another is named; `remark` says what it rests on. An earlier period
    that reaches into this one ends where it begins, or does not stand any more where it begins no earlier.
    Refuses with QualificationRefused a period that ends before it begins, a machine, who left, and who would vouch
    for themselves or record that another does.
    """
    vouched_by = vouched_by or by
    if person.is_machine or person.retired:
        why = "is a machine: it needs none" if person.is_machine else "is no longer here"
        raise QualificationRefused(f"{person} {why}.")
    if person in (by, vouched_by):
        raise QualificationRefused(
            "Nobody vouches for themselves.", action="Let whoever saw the proof record it, or a supervisor."
        )
    if until and until <= since:
        raise QualificationRefused("It would end before it begins.")
    _cut(_standing(person, qualification, since, until), since)
    period = Qualified(
        person=person, qualification=qualification, since=since, until=until, vouched_by=vouched_by, note=remark.strip()
    )
    save_checked(period, QualificationRefused)
    return period


@changing
def end_qualification(
    *, person: Person, qualification: Qualification, reason: str = "", by: Person, at: datetime
) -> list[Qualified]:
    """From `at` on the person has the qualification no longer; periods that were to begin later don't stand.

    Returns what stands of the period that it ends, which is nothing where it had only begun. Refuses with
    QualificationRefused who does not have it then, nor later.
    """
    periods = _standing(person, qualification, at, None)
    if not periods:
        raise QualificationRefused(f"{person} is not qualified for {qualification.name} then, nor later.", action="")
    note(ended=[[period.since, period.until] for period in periods])
    return _cut(periods, at)


def _standing(person: Person, qualification: Qualification, since: datetime, until: datetime | None) -> list[Qualified]:
    """The periods that share a moment with this one."""
    shared = (Q(until=None) | Q(until__gt=since)) & (Q(since__lt=until) if until else Q())
    return list(Qualified.objects.filter(shared, person=person, qualification=qualification, superseded=None))


def _cut(periods: Iterable[Qualified], moment: datetime) -> list[Qualified]:
    """What stood before a moment stands up to it; the rest is superseded."""
    left = []
    for period in periods:
        Qualified.objects.filter(pk=period.pk).update(superseded=now_ticks())
        if period.since < moment:
            kept = Qualified(
                person=period.person,
                qualification=period.qualification,
                since=period.since,
                until=moment,
                vouched_by=period.vouched_by,
                note=period.note,
            )
            kept.save()
            left.append(kept)
    return left
