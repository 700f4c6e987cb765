"""The HTTP status of each kind of refusal (RFC 9110; 423: RFC 4918, 429: RFC 6585), for pages and the API alike."""

from __future__ import annotations

from collections.abc import Mapping

from trace.core.errors import Kind, Refusal

STATUS: Mapping[Kind, int] = {
    Kind.UNREADABLE: 400,
    Kind.FORBIDDEN: 403,
    Kind.MISSING: 404,
    Kind.CONFLICT: 409,
    Kind.TOO_LONG: 413,
    Kind.LOCKED: 423,
    Kind.THROTTLED: 429,
}


def status_of(refusal: Refusal) -> int:
    """The status of a refusal, by its kind."""
    return STATUS[refusal.kind]
