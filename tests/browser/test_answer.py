"""The main job in a browser: sign in, scan a lot, read the answer, follow a unit to its lots."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.web.conftest import Suspects, build_suspects, make_user
from trace.core.keys import label_text

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    return build_suspects()


@pytest.fixture
def inside(page, suspects: Suspects, enter_as: Callable):
    """The page of somebody who is signed in."""
    enter_as(make_user())
    return page


def arrive(page, address: str) -> None:
    """Wait until the page stands at this path, or at this query of it."""
    page.wait_for_url(lambda url: f"{urlsplit(url).path}?{urlsplit(url).query}".startswith(address))


def focused(page) -> str:
    return page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()")


def test_from_the_sign_in_page_to_a_units_lots(page, suspects: Suspects, accessible: Callable, shot: Callable) -> None:
    make_user()
    page.goto("/lots/K77/")
    accessible()
    shot("sign in")
    assert focused(page) == "id_username"
    page.keyboard.type("ann")
    page.keyboard.press("Tab")
    page.keyboard.type("tin-plated-1")
    page.keyboard.press("Enter")
    arrive(page, "/lots/K77/")
    page.goto("/")
    accessible()
    shot("home")
    # The scan line has the focus: a scanner types the supplier's lot number and ends with Enter.
    assert focused(page) == "scan"
    type_as_scanner(page, "2406/A")
    arrive(page, "/lots/K77/")
    answer = page.locator("p.answer")
    assert answer.inner_text().startswith("Lot K77 is in 3 units: 2 certain, 1 possible. 1 has shipped, to 1 customer.")
    accessible()
    shot("answer")
    answer.get_by_role("link", name="2 certain").click()
    rows = page.locator("#table-units tbody tr")
    assert rows.count() == 2
    rows.get_by_role("link", name=suspects.product.key, exact=True).click()
    arrive(page, f"/units/{suspects.product.key}/")
    page.locator("summary", has_text=suspects.shipped.key).click()
    accessible()
    shot("unit")
    page.locator("details.group a", has_text="K77").first.click()
    arrive(page, "/lots/K77/")


def test_the_keyboard_alone_reads_the_answer_and_opens_a_unit(inside, suspects: Suspects, shot: Callable) -> None:
    page = inside
    page.goto("/")
    type_as_scanner(page, "k77")
    arrive(page, "/lots/K77/")
    assert focused(page) == "scan"
    for _ in range(40):
        page.keyboard.press("Tab")
        if focused(page) == "1 possible":
            break
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    shot("focus")
    page.keyboard.press("Enter")
    arrive(page, "/lots/K77/?units-sureness=possible")
    for _ in range(60):
        page.keyboard.press("Tab")
        if focused(page) == suspects.possible.key:
            break
    page.keyboard.press("Enter")
    arrive(page, f"/units/{suspects.possible.key}/")
    # Skipping past the head of the page: the first stop is a link to the answer.
    page.locator("body").click(position={"x": 2, "y": 2})
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Tab")
    assert "Skip to the answer" in page.evaluate("document.activeElement.textContent")
    page.keyboard.press("Enter")
    assert focused(page) == "answer"


def test_a_scan_that_arrives_elsewhere_lands_in_the_line(inside, suspects: Suspects) -> None:
    page = inside
    page.goto("/lots/K77/")
    page.evaluate("document.activeElement.blur()")
    type_as_scanner(page, "BAD")
    arrive(page, "/containers/BAD/")
    page.get_by_role("link", name="K77").first.focus()
    type_as_scanner(page, label_text("K77"))
    arrive(page, "/lots/K77/")
    # While somebody types into a field, or uses a shortcut, the line keeps away.
    page.goto("/parts/RES/")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Control+k")
    assert page.locator("#scan").input_value() == ""
    page.goto(f"/units/{suspects.product.key}/")
    page.locator("#find").fill("R1")
    assert page.locator("#scan").input_value() == ""


def test_a_scan_into_another_field_lands_in_the_line_too(inside, suspects: Suspects) -> None:
    page = inside
    page.goto(f"/units/{suspects.product.key}/")
    page.evaluate("addEventListener('submit', event => event.preventDefault())")  # to look before the page goes
    find, line = page.locator("#find"), page.locator("#scan")
    find.fill("R1")
    find.focus()
    type_as_scanner(page, label_text("K77"))
    assert (find.input_value(), line.input_value()) == ("R1", label_text("K77"))
    line.fill("")
    find.fill("")
    find.press_sequentially("C1 or so\n", delay=90)  # a hand
    assert (find.input_value(), line.input_value()) == ("C1 or so", "")


def test_a_second_scan_takes_the_place_of_the_first_whose_page_is_not_there_yet(inside) -> None:
    page = inside
    page.goto("/")
    page.evaluate("addEventListener('submit', event => event.preventDefault())")  # the page never comes
    page.keyboard.type("K77\nBAD")
    assert page.locator("#scan").input_value() == "BAD"


def test_a_wrong_check_character_and_a_choice(inside, accessible: Callable, shot: Callable) -> None:
    page = inside
    page.goto("/")
    type_as_scanner(page, f"K76.{label_text('K77')[-1]}")
    arrive(page, "/scan/")
    assert "The check character of K76 should be" in page.locator("[role=alert]").inner_text()
    accessible()
    shot("wrong check character")
    page.get_by_role("link", name="K77").click()
    arrive(page, "/lots/K77/")


def settle(page) -> None:
    """Wait until htmx is done with what it fetched: a moment after it stands there, it also answers."""
    expect(page.locator(".htmx-request, .htmx-swapping, .htmx-settling, .htmx-added")).to_have_count(0)


def test_tables_sort_filter_and_page_in_place(inside, suspects: Suspects, accessible: Callable) -> None:
    page = inside
    suspects.plant.boards(60)
    page.goto("/parts/BOARD/")
    page.evaluate("window.stayed = true")
    page.locator("#units-by-serial").click()
    page.wait_for_url("**units-sort=serial**")
    assert page.locator("#table-units thead th").first.get_attribute("aria-sort") == "ascending"
    settle(page)
    page.locator("#units-next").click()
    page.wait_for_url("**units-page=2**")
    assert "Rows 26–50 of 65" in page.locator("#table-units .pages").inner_text()
    settle(page)
    page.locator("#units-order").select_option(suspects.certain.order.key)
    page.wait_for_url(f"**units-order={suspects.certain.order.key}**")
    assert page.locator("#table-units tbody tr").count() == 5
    assert page.evaluate("window.stayed")
    accessible()
    page.reload()
    assert page.locator("#table-units tbody tr").count() == 5
    with page.expect_download() as download:
        page.locator("#table-units").get_by_role("link", name="Units as CSV").click()
    assert len(download.value.path().read_text().splitlines()) == 6
    page.go_back()
    page.wait_for_selector("#table-units tbody tr:nth-child(25)")
    assert "Bill of material" in page.content()


def test_the_filter_button_keeps_the_focus(inside, suspects: Suspects) -> None:
    page = inside
    page.goto("/lots/K77/")
    page.locator("#units-find").fill(suspects.certain.key)
    page.locator("#units-filter").press("Enter")
    page.wait_for_url(f"**units-find={suspects.certain.key}**")
    settle(page)
    assert focused(page) == "units-filter"


def test_pages_work_without_script(browser, live_server, suspects: Suspects, client) -> None:
    client.force_login(make_user())
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}])
    page = context.new_page()
    page.goto("/")
    page.fill("#scan", "K77")
    page.get_by_role("button", name="Open").click()
    arrive(page, "/lots/K77/")
    page.locator("#units-by-serial").click()
    page.wait_for_url("**units-sort=serial**")
    context.close()
