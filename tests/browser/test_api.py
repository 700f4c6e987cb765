"""The API's own page: it opens under the policy of all pages, and a request can be tried from it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.factories import Plant
from tests.web.conftest import make_user

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_programmer_finds_an_operation_and_asks_for_a_lot(page, enter_as: Callable, shot: Callable) -> None:
    plant = Plant()
    plant.reel("CB-1", lot="K77")
    enter_as(make_user())
    page.goto("/api/v1/")
    page.locator("#operations-tag-floor").click(timeout=60_000)  # its scripts are long
    page.get_by_text("/api/v1/operations/load-feed/").first.wait_for()
    shot("operations")
    page.locator("#operations-tag-floor").click()
    page.locator("#operations-tag-on_record").click()
    entry = page.locator("#operations-on\\ record-get_lots, [id$=get_lots]").first
    for _ in range(60):  # what is far below is not there before somebody scrolls
        if entry.count():
            break
        page.mouse.wheel(0, 600)
        page.wait_for_timeout(100)
    entry.scroll_into_view_if_needed()
    entry.get_by_role("button").first.click()
    entry.get_by_role("button", name="Try it out").click()
    entry.get_by_placeholder("key").fill("K77")
    entry.get_by_role("button", name="Execute").click()
    entry.get_by_text('"supplier": "ACME"').first.wait_for()
    shot("a lot")
