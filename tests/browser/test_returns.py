"""A product comes back: received by the label of the board in it, torn down, decided. Axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.floor.test_returns import Sold
from tests.web.conftest import make_user
from trace.core.keys import label_text
from trace.floor.models import Return

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [1280, 390])
def test_a_product_is_received_back_and_torn_down(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    sold = Sold()
    (first, _), (board, other) = sold.products, sold.boards
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    enter_as(make_user("rita"))
    page.goto("/returns/receive/")
    look("empty")
    type_as_scanner(page, label_text(board.key))
    expect(page.get_by_role("link", name=f"{board.key} came alone")).to_be_visible()
    look("proposed")
    form = page.get_by_role("form", name="Receive it")
    form.get_by_label("What the customer complains of").fill("stops after an hour")
    form.get_by_role("button", name="Receive it").click()
    expect(page.get_by_text("Recorded: receive it.")).to_be_visible()
    assert Return.objects.get().unit == first
    look("received")
    seen = page.get_by_role("form", name="A unit was seen in it")
    seen.get_by_label("In", exact=True).select_option(first.key)
    seen.get_by_label("Place, such as M1").fill("M1")
    seen.get_by_label("Label of the unit that is there").fill(label_text(other.key))
    seen.get_by_role("button", name="Record what is there").click()
    expect(page.get_by_text("Recorded: a unit was seen in it.")).to_be_visible()
    expect(page.get_by_text("1 of 1 place differs from the record")).to_be_visible()
    look("torn down")
    page.goto("/returns/")
    expect(page.get_by_text("1 return is open")).to_be_visible()
    look("returns")
    page.goto(f"/units/{first.key}/")
    expect(page.locator(".answer").first).to_contain_text("returned by")
    look("unit")
