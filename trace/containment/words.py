"""A suspicion in words."""

from __future__ import annotations

from collections.abc import Sequence

from trace.containment.models import Join, Term
from trace.containment.terms import Told, describe_term

LISTED = 4
"""So many terms of a kind are named in a sentence."""

WORDS = ((Join.ANY, "", " or "), (Join.ALL, ", with ", " and "), (Join.EXCEPT, ", but not ", " or "))
"""What stands before the terms that are joined so, and between two of them."""


def name_terms(terms: Sequence[tuple[Join, Told | Term]]) -> str:
    """What is suspect, as the subject of a sentence: “Lot K7731 or container R-9, but not unit CB-1”."""
    text = ""
    for join, before, between in WORDS:
        named = [describe_term(term) for joined, term in terms if joined == join]
        more = [f"{len(named) - LISTED} more"] if len(named) > LISTED else []
        if named:
            text += before + between.join([*named[:LISTED], *more])
    return text[:1].upper() + text[1:] or "Nothing"
