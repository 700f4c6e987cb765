"""How often may be asked: of a token, of a session, with tokens that are none. More is told when to come again."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client as Browser

from tests.api.conftest import make_client
from tests.web.conftest import make_user
from trace.api.entry import BadTokens, Requests

pytestmark = pytest.mark.django_db

ADDRESS = "/api/v1/lots/"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Three requests a minute, by a clock that stands until it is set."""
    now = [1_000.0]
    for limit in (Requests, BadTokens):
        monkeypatch.setattr(limit, "rate", "3/min", raising=False)
        monkeypatch.setattr(limit, "timer", staticmethod(lambda: now[0]))
    return now


def statuses(client: Any, number: int, **headers: str) -> list[int]:
    return [client.get(ADDRESS, headers=headers).status_code for _ in range(number)]


def test_a_token_that_asks_too_often_is_told_when_to_come_again(client, clock: list[float]) -> None:
    assert statuses(client, 3) == [200] * 3
    clock[0] += 20
    answer = client.get(ADDRESS)
    assert (answer.status_code, answer["Retry-After"], answer["Content-Type"]) == (
        429,
        "40",
        "application/problem+json",
    )
    problem = answer.json()
    assert problem["code"] == "too-often" and "in 40 seconds" in problem["detail"] and problem["action"]
    assert statuses(make_client(), 1) == [200]  # another's
    clock[0] += 40
    assert statuses(client, 1) == [200]


def test_a_persons_sessions_are_counted_together(clock: list[float]) -> None:
    user, browsers = make_user(), [Browser(), Browser()]
    for browser in browsers:
        browser.force_login(user)
    assert [statuses(browser, 2) for browser in browsers] == [[200, 200], [200, 429]]


def test_bad_tokens_are_counted_by_address_and_good_ones_pass(client, clock: list[float]) -> None:
    bad = {"Authorization": "Bearer none"}
    stranger = Browser(REMOTE_ADDR="10.0.0.7")
    assert statuses(stranger, 4, **bad) == [401, 401, 401, 429]
    answer = stranger.get(ADDRESS, headers=bad)
    assert answer["Retry-After"] == "60" and answer.json()["code"] == "too-often"
    # What the request says of where it came from is believed of no proxy that nobody told of.
    assert statuses(stranger, 1, **bad, **{"X-Forwarded-For": "10.0.0.8"}) == [429]
    assert statuses(Browser(REMOTE_ADDR="10.0.0.8"), 1, **bad) == [401]
    client.credentials(REMOTE_ADDR="10.0.0.7")
    assert statuses(client, 1) == [200]
