"""What is suspect may be narrowed; what was held before goes only if somebody else stands by that."""

from __future__ import annotations

from django.db.models import Exists, OuterRef

from trace.approvals.queries import find_approval
from trace.containment.models import Containment, Join
from trace.core.models import Person
from trace.core.permissions import APPROVERS, may
from trace.holds.models import Hold

KIND = "containment"


def list_wording(containment: Containment) -> set[int]:
    """Who narrowed what is suspect (ids): removed a term, or worded terms of which some narrow the others. Nobody,
    where all that was ever suspected counts."""
    terms = list(containment.terms.all())
    standing = [term for term in terms if term.removed is None]
    narrowed = any(term.joined != Join.ANY for term in standing)
    removed = {term.removed_by_id for term in terms if term.removed_by_id is not None}
    return removed | ({term.by_id for term in standing} if narrowed else set())


def list_unapproved(containment: Containment) -> set[int]:
    """Who narrowed what is suspect (ids), as long as nobody who had no part in that approved the containment as it is:
    somebody else is to. Empty where nothing is to be approved."""
    wording = list_wording(containment)
    return wording if wording and not find_approval(KIND, containment.key, wording) else set()


def lacks_approval(containment: Containment) -> bool:
    """Whether what is suspect was narrowed, and another one's approval of that is missing."""
    return bool(list_unapproved(containment))


def list_narrowed_awaiting(person: Person) -> list[Containment]:
    """The narrowed containments that hold something and wait for an approval which this person may give, never of their
    own words."""
    if not may(person.roles, APPROVERS[KIND]):
        return []
    holding = Hold.objects.filter(under=OuterRef("key"), released=None)
    holders = Containment.objects.filter(Exists(holding), closed=None).prefetch_related("terms")
    return [one for one in holders if (narrowed_by := list_unapproved(one)) and person.pk not in narrowed_by]
