"""Every refusal is answered by its kind: a table of RFC 9110's words, and those of RFC 4918 and RFC 6585."""

from __future__ import annotations

import pytest

from trace.core.errors import Kind
from trace.exchange.statuses import STATUS, status_of
from trace.management.commands.document import list_refusals

# RFC 9110, 15.5: 400 the server can't read it, 403 refuses whoever asks, 404 finds nothing, 409 it conflicts with the
# state, 413 it is too long; RFC 4918, 11.3: 423 locked; RFC 6585, 4: 429 too many requests.
STANDARDS = {
    "bad-key": 400,
    "bad-text": 400,
    "bad-moment": 400,
    "bad-clock": 400,
    "bad-error": 400,
    "unreadable": 400,
    "not-permitted": 403,
    "not-here": 403,
    "wrong-credentials": 403,
    "not-found": 404,
    "content-lost": 404,
    "revision-unclear": 404,
    "file-too-long": 413,
    "held": 423,
    "must-wait": 429,
    "too-many-badges": 429,
    "stopped": 409,
    "key-in-use": 409,
    "request-reused": 409,
}


def test_each_kind_has_a_status_of_its_own() -> None:
    assert STATUS.keys() == set(Kind) and len(set(STATUS.values())) == len(Kind)


@pytest.mark.parametrize(("code", "status"), STANDARDS.items())
def test_a_refusal_is_answered_as_the_standards_say(code: str, status: int) -> None:
    (refusal,) = (found for found in list_refusals() if found.code == code)
    assert status_of(refusal.__new__(refusal)) == status
