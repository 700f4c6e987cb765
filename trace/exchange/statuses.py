"""The HTTP status of a refusal (RFC 9110), for pages and the API alike."""

from __future__ import annotations

from collections.abc import Mapping

from trace.approvals.files import ContentLost, FileTooLong
from trace.core.errors import NotFound, Refusal
from trace.core.keys import BadKey, BadText
from trace.core.moments import BadMoment
from trace.core.permissions import NotPermitted
from trace.exchange.credentials import MustWait, WrongCredentials
from trace.holds.gate import Held
from trace.ledger.source import BadClock, NotHere

STATUS: Mapping[type[Refusal], int] = {
    NotFound: 404,
    BadKey: 400,
    BadText: 400,
    BadMoment: 400,
    BadClock: 400,
    NotPermitted: 403,
    NotHere: 403,
    WrongCredentials: 403,
    ContentLost: 404,
    FileTooLong: 413,
    MustWait: 429,
    Held: 423,
}


def status_of(refusal: Refusal) -> int:
    """Its status; 409, in conflict with what is on record, where the table does not say."""
    return next((status for kind, status in STATUS.items() if isinstance(refusal, kind)), 409)
