"""An alarm by the keyboard alone: opened, scoped term by term, followed to a unit, kept; accessible at two widths."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.browser.test_answer import arrive, focused
from tests.web.conftest import Suspects, build_suspects, make_user
from trace.containment.models import Containment, Snapshot

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    return build_suspects()


def tab_to(page, wanted: str) -> None:
    """Press Tab until what has this id, text or label has the focus."""
    for _ in range(120):
        if wanted in (focused(page), page.evaluate("document.activeElement.ariaLabel")):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{wanted} is not reached, but {focused(page)}")


def type_moment(page, field: str, day: str, time: str) -> None:
    """A date and a time of day, as this browser's field takes them: month, day, year; hour, minute, half of the day."""
    tab_to(page, field)
    page.keyboard.type(day)
    page.keyboard.press("Tab")
    page.keyboard.type(time)


def test_an_alarm_by_keyboard_alone(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user())
    page.goto("/containments/")
    tab_to(page, "Open a containment")
    page.keyboard.press("Enter")
    arrive(page, "/containments/new/")
    accessible()
    assert focused(page) == "problem"
    page.keyboard.type("Resistors drift after solder.")
    tab_to(page, "Open it")
    page.keyboard.press("Enter")
    arrive(page, "/containments/CM-")
    answer = page.locator("p.answer")
    expect(answer).to_contain_text("Nothing is suspect yet.")
    # The scoping line waits. A scanner types the supplier's lot number and ends with Enter: it goes straight in.
    assert focused(page) == "subject"
    type_as_scanner(page, "2406/A")
    expect(page.locator("#add")).to_be_focused()
    accessible()
    page.keyboard.press("Enter")
    expect(answer).to_contain_text("is in 3 units: 2 certain, 1 possible.")
    # What is typed is offered; the arrow goes down to it.
    expect(page.locator("#subject")).to_be_focused()
    page.keyboard.type("goo")
    expect(page.locator("#options a")).to_have_count(1)
    accessible()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator("#add")).to_be_focused()
    page.keyboard.press("Enter")
    expect(answer).to_contain_text("is in 4 units")
    # A station without a window is refused beside the form, and then narrows what is suspect.
    expect(page.locator("#subject")).to_be_focused()
    type_as_scanner(page, "INSERT")
    expect(page.locator("#add")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#scoping .stop")).to_contain_text("It does not say when")
    page.locator("#joined").focus()
    page.keyboard.type("and")
    type_moment(page, "term-since", "03022026", "0600AM")
    accessible()
    type_moment(page, "term-until", "03022026", "0615AM")
    tab_to(page, "add")
    page.keyboard.press("Enter")
    expect(answer).to_contain_text("is in 2 units")
    expect(page.locator(".terms li")).to_have_count(3)
    accessible()
    shot("three terms")
    # Down to why a unit is in it.
    tab_to(page, f"why {suspects.product.key}")
    page.keyboard.press("Enter")
    arrive(page, f"/containments/{Containment.objects.get().key}/units/{suspects.product.key}/")
    expect(page.locator(".paths").first).to_contain_text("SLOT-R")
    accessible()
    page.go_back()
    tab_to(page, "take_snapshot-why")
    page.keyboard.type("before the stop")
    tab_to(page, "Take it")
    page.keyboard.press("Enter")
    expect(page.locator(".done")).to_contain_text("Take a snapshot")
    assert (Snapshot.objects.get().certain, Snapshot.objects.get().why) == (2, "before the stop")
    for width in (820, 390):
        page.set_viewport_size({"width": width, "height": 900})
        accessible()
        shot(str(width))
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_flow_leads_to_the_units_behind_a_number(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user())
    page.goto("/containments/new/?kind=lot&subject=K77")
    page.locator("#problem").fill("Resistors drift after solder.")
    page.get_by_role("button", name="Open it").click()
    page.get_by_role("link", name="How it flows from lot to customer").click()
    for width, scheme in ((1280, "light"), (820, "dark")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        accessible()
        shot(f"flow {width}")
    page.get_by_role("link", name="3 units, from K77 RES to SLOT-R at INSERT").first.click()
    expect(page.locator("#table-behind tbody tr")).to_have_count(3)


def test_an_alarm_is_scoped_without_javascript(browser, live_server, suspects: Suspects, client) -> None:
    client.force_login(make_user())
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}])
    page = context.new_page()
    page.goto("/containments/new/")
    page.locator("#problem").fill("Resistors drift after solder.")
    page.get_by_role("button", name="Open it").click()
    page.locator("#subject").fill("goo")
    page.get_by_role("button", name="Find").click()
    page.locator("#options a").click()
    page.locator("#add").click()
    expect(page.locator("p.answer")).to_contain_text("Reel GOOD")
    context.close()
