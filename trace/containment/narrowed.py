"""What is suspect may be narrowed; what was held before goes only if somebody else stands by that."""

from __future__ import annotations

from trace.approvals.queries import find_approval
from trace.containment.models import Containment, Join


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
    return wording if wording and not find_approval("containment", containment.key, wording) else set()


def lacks_approval(containment: Containment) -> bool:
    """Whether what is suspect was narrowed, and another one's approval of that is missing."""
    return bool(list_unapproved(containment))
