"""Somebody who is let in without an account: by a token, or by a badge at a device."""

from __future__ import annotations

from trace.core.models import Person


class Visitor:
    """Stands where Django expects a user: the person, and nothing to be found in the table of accounts."""

    is_authenticated = is_active = True
    is_anonymous = is_staff = False

    def __init__(self, person: Person) -> None:
        self.person, self.pk = person, person.pk

    def get_username(self) -> str:
        """What it is called in the log."""
        return self.person.key

    def __str__(self) -> str:
        return self.person.name
