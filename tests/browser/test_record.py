"""An auditor at the record: who scrapped a unit and why, what somebody did on a day, the text as it was written."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user
from trace.floor.operations.orders import scrap_unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    suspects = build_suspects()
    suspects.plant.do(scrap_unit, 60, unit=suspects.clean, reason="fell from the bench")
    return suspects


@pytest.mark.parametrize("width", [1280, 390])
def test_an_auditor_finds_who_scrapped_a_unit_on_the_record(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user())
    page.set_viewport_size({"width": width, "height": 900})
    page.goto("/")
    page.get_by_role("navigation", name="Everywhere").get_by_role("link", name="The record").click()
    page.get_by_label("What was done").select_option("scrap a unit")
    page.get_by_label("with the key").fill(suspects.clean.key)
    page.keyboard.press("Enter")
    page.wait_for_url("**what=scrap_unit**")
    assert "1 entry fits: scrap a unit, about" in page.locator(".answer").inner_text()
    row = page.locator("#table-entries").get_by_role("row").nth(1)
    assert "fell from the bench" in row.inner_text() and "ANN" in row.inner_text()
    shot("found")
    accessible()
    row.get_by_role("rowheader").get_by_role("link").click()
    assert page.locator(".answer").inner_text().endswith("scrap a unit.")
    text = page.locator("details.text pre")
    assert not text.is_visible()
    page.get_by_text("The text as it was written").click()
    assert '"reason":"fell from the bench"' in text.inner_text()
    shot("entry")
    accessible()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_role("link", name="All that Ann did that day").click()
    assert "entries fit: by ANN Ann, happened on 2026-03-02." in page.locator(".answer").inner_text()


def test_pages_of_the_record_keep_what_was_asked(page, suspects: Suspects, enter_as: Callable) -> None:
    enter_as(make_user())
    page.goto("/record/?who=ANN&from=2026-03-02")
    first = page.locator("#table-entries tbody th").first.inner_text()
    with page.expect_response("**entries-page=2**") as answer:
        page.get_by_role("link", name="Next").click()
    assert answer.value.request.headers.get("hx-target") == "table-entries"
    page.wait_for_url("**entries-page=2**")
    assert "who=ANN" in page.url and "from=2026-03-02" in page.url
    assert page.locator("#table-entries tbody th").first.inner_text() != first
    assert page.get_by_label("Who").input_value() == "ANN"


def test_a_refused_filter_of_the_record_is_read_out_with_its_field(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user())
    page.goto("/record/")
    page.get_by_label("From").fill("yesterday")
    page.get_by_role("button", name="Show entries").click()
    field = page.get_by_label("From")
    assert field.input_value() == "yesterday" and field.get_attribute("aria-invalid") == "true"
    told = page.locator(f"#{field.get_attribute('aria-describedby')}").inner_text()
    assert "“yesterday” is no date and time." in told
    assert page.get_by_role("alert").count() == 1
    shot("refused")
    accessible()
