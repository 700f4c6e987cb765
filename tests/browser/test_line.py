"""A supervisor at the line page: it refreshes itself, waits while nobody looks, says when it is stale."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, expect

from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import start_pass

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

REFRESH = "htmx.trigger('#line', 'refresh')"
SIZES = {"desk": (1280, 900), "tablet": (1024, 768), "phone": (390, 844)}


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    plant.do(load_feed, feed=plant.slot_r, container=plant.reel("R"))
    plant.do(load_feed, feed=plant.slot_c, container=plant.reel("C", plant.capacitor))
    boards = plant.boards(4)
    for n, board in enumerate(boards[:2]):
        plant.run(board, plant.insertion, 2 * n + 1, 2 * n + 2)
        plant.run(board, plant.test, 10 + 4 * n, 14 + 4 * n, outcome="failed" if n else "passed")
    return plant


EXPECTED = """
const told = console.error;
console.error = (...words) => { if (!/^(htmx:|Response Status)/.test(words[0])) told(...words); };
"""
"""The library tells the console of each request that failed; here they are meant to."""


def inside(page) -> Locator:
    """How many units are inside the first station."""
    return page.locator("#table-stations tbody tr").first.locator("td").first


def enter(plant: Plant) -> None:
    """Another board goes into the first station."""
    board = plant.boards(1)[0]
    plant.do(start_pass, unit=board, station=plant.insertion, at=now())


@pytest.mark.parametrize("size", SIZES)
def test_the_line_is_accessible_and_fits(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable, size: str
) -> None:
    enter_as(make_user())
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    for name, address in (("line", "/line/?product=BOARD"), ("all", "/line/?area=&product=&period=week")):
        page.goto(address)
        shot(name)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto("/line/?product=BOARD")
    page.get_by_role("link", name="1 not passed: TEST").click()
    assert "1 pass of BOARD at TEST Test" in page.locator(".answer").inner_text()
    shot("failures")
    accessible()


def test_it_refreshes_itself_and_keeps_order_and_focus(page, plant: Plant, enter_as: Callable) -> None:
    enter_as(make_user())
    page.clock.install()
    page.goto("/line/?product=BOARD")
    expect(inside(page)).to_have_text("0")
    page.get_by_role("link", name="Station", exact=True).click()
    page.wait_for_url("**stations-sort=station**")
    link = page.get_by_role("link", name="1 not passed: TEST")
    link.focus()
    page.evaluate("document.querySelector('#line .note time').textContent = 'before'")
    enter(plant)
    with page.expect_response(lambda response: "stations-sort=station" in response.url) as answer:
        page.clock.run_for(31_000)
    assert answer.value.request.headers["hx-target"] == "line"
    expect(inside(page)).to_have_text("1")
    expect(page.locator("#line .note time").first).to_have_text(re.compile(r"\d\d:\d\d:\d\d"))
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "1 not passed: TEST"
    assert page.locator("th[aria-sort=ascending]").inner_text() == "Station"


def test_it_waits_while_nobody_looks(page, plant: Plant, enter_as: Callable) -> None:
    enter_as(make_user())
    page.goto("/line/?product=BOARD")
    hide = "Object.defineProperty(document, 'hidden', {value: %s, configurable: true})"
    page.evaluate(hide % "true")
    enter(plant)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate(REFRESH)
    page.wait_for_timeout(300)
    assert asked == []
    expect(inside(page)).to_have_text("0")
    page.evaluate(hide % "false")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(inside(page)).to_have_text("1")
    page.get_by_role("link", name="Stop that").click()
    page.wait_for_url("**refresh=off**")
    assert page.locator("[data-refreshed]").count() == 0


@pytest.mark.parametrize("failure", ["away", "broken", "signed out"])
def test_what_is_stale_is_said(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable, failure: str
) -> None:
    enter_as(make_user())
    page.add_init_script(EXPECTED)
    page.goto("/line/?product=BOARD")
    stale = page.get_by_role("alert")
    assert stale.count() == 0
    address = page.url
    if failure == "away":
        page.context.set_offline(True)
    elif failure == "broken":
        page.route("**/line/**", lambda route: route.fulfill(status=429, body="Too much."))
    else:
        page.context.clear_cookies()
    page.evaluate(REFRESH)
    stale.wait_for()
    time = page.locator("#line .note time").first.inner_text()
    assert f"Not refreshed since {time}: the server did not answer as it should." in stale.inner_text()
    assert page.url == address
    expect(inside(page)).to_have_text("0")
    shot(failure)
    if failure != "signed out":
        accessible()
        page.context.set_offline(False)
        page.unroute_all()
        enter(plant)
        page.evaluate(REFRESH)
        expect(inside(page)).to_have_text("1")
        assert stale.count() == 0
