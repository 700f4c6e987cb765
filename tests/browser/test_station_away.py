"""The page of a station while the server is away: what is scanned meanwhile is understood as it was meant."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.floor.models import Pass, RefusedScan
from trace.holds.operations import place_holds

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def scan(page: Any, text: str) -> None:
    page.locator("#scan").focus()
    type_as_scanner(page, text)


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    for minute, board in enumerate(plant.boards(4, minute=1), 2):
        plant.run(board, plant.insertion, minute, minute + 0.5)
    return plant


def boards_of(plant: Plant) -> list[str]:
    return list(Pass.objects.order_by("pk").values_list("unit__key", flat=True))


def test_units_and_their_results_are_scanned_on(
    page: Any, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    page.context.set_default_timeout(30_000)
    page.set_viewport_size({"width": 1024, "height": 768})
    enter_as(make_user("olga", roles=[Role.OPERATOR]))
    one, two, three, four = boards_of(plant)
    page.goto("/station/TEST/")
    page.evaluate("navigator.serviceWorker.ready")
    scan(page, label_text(one))
    expect(page.locator(".say .word")).to_have_text("Go")
    page.context.set_offline(True)
    scan(page, "PASSED")
    expect(page.locator("#kept")).to_contain_text("The server is away since")
    expect(page.get_by_text("nothing of it is on record yet")).to_be_visible()
    for number, unit in enumerate((two, three), 1):
        scan(page, label_text(unit))
        expect(page.locator("#kept .waiting li")).to_have_count(2 * number)
        if unit == two:
            page.get_by_role("button", name="The last one passed").click()
        else:
            page.get_by_role("button", name="It failed").click()
        expect(page.locator("#kept .waiting li")).to_have_count(2 * number + 1)
    accessible()
    shot("away")
    page.set_viewport_size({"width": 390, "height": 844})
    shot("away on a phone")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    accessible()
    page.context.set_offline(False)
    expect(page.locator("#kept .waiting li")).to_have_count(0, timeout=60_000)
    done = Pass.objects.filter(station=plant.test, superseded=None).order_by("scanned_in")
    assert list(done.values_list("unit__key", "outcome")) == [(one, "passed"), (two, "passed"), (three, "failed")]
    expect(page.locator("#scan")).to_be_visible()
    scan(page, label_text(four))
    expect(page.locator(".say .word")).to_have_text("Go")


def test_what_is_refused_late_is_told_at_the_station(page: Any, plant: Plant, enter_as: Callable) -> None:
    page.context.set_default_timeout(30_000)
    enter_as(make_user("olga", roles=[Role.OPERATOR]))
    one, *_ = boards_of(plant)
    page.goto("/station/TEST/")
    page.evaluate("navigator.serviceWorker.ready")
    page.context.set_offline(True)
    scan(page, label_text(one))
    expect(page.locator("#kept .waiting li")).to_have_count(1)
    page.wait_for_timeout(10_500)
    unit = Pass.objects.filter(unit__key=one)[0].unit
    place_holds(targets=[unit], reason="Smells burnt.", by=plant.ann, at=now() - timedelta(hours=1))
    page.context.set_offline(False)
    expect(page.locator("#kept .refused li")).to_contain_text("Smells burnt.", timeout=60_000)
    assert RefusedScan.objects.get().unit == unit


def test_a_result_scanned_before_the_unit_was_answered_is_of_that_unit(
    page: Any, plant: Plant, enter_as: Callable
) -> None:
    page.context.set_default_timeout(30_000)
    enter_as(make_user("olga", roles=[Role.OPERATOR]))
    one, two, *_ = boards_of(plant)
    page.goto("/station/TEST/")
    page.evaluate("navigator.serviceWorker.ready")
    scan(page, label_text(one))
    expect(page.locator(".say .word")).to_have_text("Go")
    page.context.set_offline(True)  # for a moment only
    scan(page, label_text(two))
    scan(page, "PASSED")
    expect(page.locator("#kept .waiting li")).to_have_count(2)
    page.context.set_offline(False)
    expect(page.locator(".say .word")).to_have_text("Passed", timeout=60_000)
    done = Pass.objects.filter(station=plant.test, superseded=None).order_by("scanned_in")
    assert list(done.values_list("unit__key", "outcome")) == [(one, ""), (two, "passed")]
