"""What was written on paper and is entered by somebody else. For use inside operations."""

from __future__ import annotations

from datetime import datetime

from trace.core.errors import Kind, Refusal
from trace.core.models import Person
from trace.core.permissions import OPERATIONS, STOPPING, in_words, may


class DoerRefused(Refusal):
    """Who is said to have done the work can't have, or it can't be entered for them."""

    code = "doer-refused"
    kind = Kind.FORBIDDEN
    action = "Enter who did it, by their badge number."


def find_doer(doer: Person | None, by: Person, at: datetime) -> Person:
    """Who did the work that somebody enters: that person themselves, or whom they name. Refuses with DoerRefused where
    they enter it for another and are no supervisor, and where the other may not do such work or had left by then."""
    if doer is None or doer == by:
        return by
    if not may(by.roles, STOPPING):
        raise DoerRefused(f"{by} can’t enter what {doer} did.", action=f"Let {doer} enter it, or {in_words(STOPPING)}.")
    if not may(doer.roles, OPERATIONS["record_passes"]):
        raise DoerRefused(f"{doer} does no work at stations.")
    if doer.retired and at > doer.retired:
        raise DoerRefused(f"{doer} was no longer here then.")
    return doer
