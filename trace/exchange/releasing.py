"""A draft approved by signature and released in one step, for pages and the API alike."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.core.models import Person
from trace.core.permissions import check_permitted
from trace.engineering.models import Part
from trace.engineering.operations import release_revision
from trace.engineering.operations.common import take_turn
from trace.exchange.credentials import check_credentials
from trace.ledger.operation import Request


def sign_and_release(
    request: Any,
    *,
    part: Part,
    username: str,
    password: str,
    digest: str = "",
    by: Person,
    at: datetime,
    asked: Request | None = None,
    **effect: Any,
) -> Part:
    """Sign a draft with the meaning approval, as what `digest` says was shown, and release it: both or neither.

    `request` is Django's, `asked` the client's own, `effect` how it takes effect, `at` when it is released: when it was
    signed says the server's clock. Refuses what `check_credentials`,
    `sign` and `release_revision` refuse.
    """
    for verb in ("sign", "release_revision"):
        check_permitted(str(by), by.roles, verb)
    check_credentials(request, by, username, password)
    signing = Request(f"sign:{asked.client}", asked.key) if asked else None
    with transaction.atomic():
        take_turn()  # before the part is locked: as every release does
        sign(subject=part, meaning=Meaning.APPROVED, digest=digest, by=by, at=at, request=signing)
        released: Part = release_revision(part=part, by=by, at=at, request=asked, **effect)
    return released
