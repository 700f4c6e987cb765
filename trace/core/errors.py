"""What the system says when it will not do something."""

from __future__ import annotations

from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What kind of refusal it is, from which pages and the API take how they answer."""

    CONFLICT = "in conflict with what is on record"
    UNREADABLE = "can't be read"
    FORBIDDEN = "not for whoever asks"
    MISSING = "nothing is there"
    TOO_LONG = "too long"
    LOCKED = "held"
    THROTTLED = "asked too often"


class Refusal(Exception):
    """A move or an input is refused; nothing was changed.

    `code` is stable and for programs, `kind` says what kind of refusal it is, `message` what is wrong and
    what it means here, `action` what to do next, `extra` holds facts for the page or the API. A concrete refusal is a
    subclass beside the code that raises it. A programming error is never a Refusal.
    """

    code = "refused"
    kind = Kind.CONFLICT
    action = ""

    def __init__(self, message: str, *, action: str = "", **extra: Any) -> None:
        super().__init__(message)
        self.message = message
        self.action = action or self.action
        self.extra = extra

    def __str__(self) -> str:
        return f"{self.message} {self.action}".strip()


class NotFound(Refusal):
    """Nothing in the plant answers to this key."""

    code = "not-found"
    kind = Kind.MISSING
    action = "Check the label and scan it again."
