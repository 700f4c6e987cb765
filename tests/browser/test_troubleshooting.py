"""A board fails, is mended with a part from a scanned container, goes back and passes; a product that failed as often
as it may is reviewed, signed for and scrapped, and its board is kept. Axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.floor.troubleshooting import Trouble
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.engineering.models import Step
from trace.floor.models import Fitting, Repair, Salvage
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.passes import finish_pass, start_pass

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def trouble(transactional_db: None) -> Trouble:
    return Trouble()


@pytest.mark.parametrize("width", [1280, 390])
def test_a_failed_board_is_mended_and_a_product_past_its_limit_is_scrapped(
    page, trouble: Trouble, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    plant, board = trouble.plant, trouble.failed()
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    def scan(text: str) -> None:
        type_as_scanner(page, text)

    enter_as(make_user("tess"))
    page.goto("/station/RP1/")
    expect(page.get_by_role("heading", name="1 unit waits to be mended")).to_be_visible()
    look("waits for repair")
    scan(label_text(board.key))
    expect(page).to_have_url(f"{page.url.split('/station')[0]}/station/RP1/repair/{board.key}/")

    found = page.get_by_role("form", name="A fault was found")
    found.get_by_label("Fault").select_option(label="value out of limits")
    found.get_by_label("Designator").fill("r1")
    found.get_by_role("button", name="Record the fault").click()
    expect(page.get_by_text("1 fault is")).to_be_visible()
    cause = page.get_by_role("form", name="What caused it")
    cause.get_by_label("Fault").select_option(label="value out of limits at R1")
    cause.get_by_label("Cause", exact=True).select_option(label="part out of its limits")
    cause.get_by_label("Step that caused it").select_option(label="10 Step 10")
    cause.get_by_role("button", name="Record the cause").click()
    mend = page.get_by_role("form", name="What was done about it")
    mend.get_by_label("What was done").select_option(label="part replaced")
    mend.get_by_label("Designator").fill("R1")
    mend.get_by_label("Container of the new part").focus()
    scan(label_text("SPARE"))  # goes on to the next field
    mend.get_by_label("Label of the bag").fill("OLD-R1")
    mend.get_by_label("Minutes").fill("7.5")
    mend.get_by_label("It goes back to").select_option(label="20 Step 20")
    look("to be mended")
    mend.get_by_role("button", name="Record the repair").click()
    expect(page.get_by_text("Recorded: what was done about it.")).to_be_visible()
    expect(page.get_by_text("No fault of it is open.")).to_be_visible()
    look("mended")
    page.goto("/station/TEST/")
    scan(label_text(board.key))
    expect(page.locator(".say")).to_contain_text("Go")
    page.get_by_role("button", name=f"{board.key} passed").click()
    expect(page.locator(".say")).to_contain_text("Passed")
    assert Fitting.objects.get(unit=board, designator="R1", superseded=None).container == trouble.spare
    assert Salvage.objects.get().result.key == "OLD-R1" and f"{Repair.objects.get().minutes}" == "7.50"

    Step.objects.filter(part=plant.product).update(attempts=1)
    (product,) = plant.products(1)
    done = {"by": plant.ann, "at": now()}
    start_pass(unit=product, station=plant.final, **done)
    fit_child(unit=product, designator="M1", child=board, **done)
    finish_pass(unit=product, outcome="failed", **done)
    page.goto("/station/FINAL/")
    scan(label_text(product.key))
    expect(page.locator(".say")).to_contain_text("1 times; it allows 1")
    look("past its limit")
    page.goto(f"/units/{product.key}/")
    page.get_by_role("link", name="Decide what becomes of it").click()
    page.get_by_role("radio", name="scrap (permits").check()
    page.get_by_label("Reason").fill("The frame is bent.")
    look("to be decided")
    page.get_by_role("button", name="Decide it").click()
    expect(page.locator(".answer")).to_contain_text("not approved")
    address = page.url
    enter_as(make_user("quinn", roles=[Role.QUALITY]))
    page.goto(address)
    page.get_by_role("link", name="Sign it").click()
    page.get_by_label("approval").check()
    page.get_by_label("Account").fill("quinn")
    page.get_by_label("Password").fill("tin-plated-1")
    page.get_by_role("button", name="Sign", exact=True).click()
    expect(page.locator(".answer")).to_contain_text("in force")
    look("signed")
    page.get_by_role("link", name="Scrap the unit").click()
    page.get_by_label("Reason").fill("The frame is bent.")
    page.get_by_label(f"M1: {board.key}").check()
    look("to be scrapped")
    page.get_by_role("button", name="Scrap it").click()
    expect(page.locator(".answer")).to_contain_text("scrapped")
    assert not Fitting.objects.filter(child=board, until=None, superseded=None).exists()

    page.goto("/quality/faults/?by=designator")
    look("the running log")
    page.get_by_role("link", name="R1: 1 faults in 1 units").focus()
    page.keyboard.press("Enter")
    expect(page.locator(".answer")).to_contain_text("1 fault was found in 1 unit")
    expect(page.locator("#table-log")).to_contain_text(board.key)
    expect(page.locator("#table-lots")).to_contain_text("LOT-REEL")
