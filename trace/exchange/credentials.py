"""Whoever signs shows who they are: account and password, for pages and the API alike. Neither goes any further."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import authenticate

from trace.core.errors import Kind, Refusal
from trace.core.keys import clean_text
from trace.core.models import Person


class WrongCredentials(Refusal):
    """Account and password are not those of who signs."""

    code = "wrong-credentials"
    kind = Kind.FORBIDDEN
    action = (
        "Type them again, small and capital letters as they are. After several wrong tries the account has to wait."
    )


class MustWait(Refusal):
    """Too many wrong passwords were tried."""

    code = "must-wait"
    kind = Kind.THROTTLED
    action = "Wait a quarter of an hour, then try again."


def check_credentials(request: Any, person: Person, username: str, password: str) -> None:
    """Refuse with WrongCredentials unless this account and password are of this person (21 CFR 11.200(a)), and with
    MustWait after too many wrong tries, which are counted as those of signing in are;
    with BadText. `request` is Django's."""
    username = clean_text(username, 150, "The account's name")
    user = authenticate(request, username=username, password=password)
    if getattr(request, "axes_locked_out", False):
        request.axes_locked_out = False  # told here, in the shape of a refusal
        raise MustWait("There were too many wrong tries.")
    if user is None or getattr(user, "person_id", None) != person.pk:
        raise WrongCredentials(f"That is not the account and password of {person}: nothing was signed.")
