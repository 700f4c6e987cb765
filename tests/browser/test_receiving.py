"""Ten reels are received in a row by keyboard alone, among them one twice, one of a wrong source, one damaged label."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.permissions import Role
from trace.exchange.supplier_label import EOT, GS, RS, write_label
from trace.holds.models import Hold
from trace.material.models import Container, Receipt
from trace.material.operations.deliveries import ExpectedRow, expect_delivery
from trace.material.operations.sources import approve_source
from trace.material.operations.stock import define_supplier

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    plant.do(define_supplier, key="BETA", name="Beta")
    plant.do(approve_source, part=plant.resistor, supplier=plant.supplier, number="A-1")
    rows = [ExpectedRow("A-1", "BF1103", Decimal(500), f"PK-{n}", "2605") for n in range(1, 13)]
    plant.do(expect_delivery, supplier=plant.supplier, number="D-9", rows=rows)
    return plant


def label(number: int, **more: str) -> str:
    fields = {"1P": "A-1", "Q": "500", "10D": "2605", "1T": "BF1103", "4L": "DE", "3S": f"PK-{number}", **more}
    return write_label([*fields.items()])


def focused(page, name: str) -> bool:
    """Whether the field has the focus, once the page has given it."""
    page.wait_for_function("name => document.activeElement.name === name", arg=name)
    return True


def scan(page, text: str) -> None:
    with page.expect_navigation():
        type_as_scanner(page, text)


def scan_with_function_keys(page, text: str) -> None:
    """As a scanner that presses F8 and F9 for the separators it has no keys for."""
    with page.expect_navigation():
        type_as_scanner(page, text.replace(EOT, ""), {GS: "F8", RS: "F9"})


def confirm(page) -> str:
    with page.expect_navigation():
        page.keyboard.press("Enter")
    return page.get_by_role("status").first.inner_text()


@pytest.mark.parametrize("width", [1280, 390])
def test_ten_reels_in_a_row(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("han", roles=[Role.HANDLER]))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/material/receive/")
    look("empty")
    for number in range(1, 5):
        scan(page, label(number))
        assert focused(page, "quantity-1") and "500 of lot BF1103" in page.locator(".answer").inner_text()
        if number == 1:
            assert "ACME-D-9" in page.locator("main").inner_text()
            look("read")
        assert f"container BF1103-{number} with 500" in confirm(page)
        assert focused(page, "q")
    scan(page, label(2))  # twice
    assert "as BF1103-2" in page.get_by_role("alert").inner_text() and focused(page, "q")
    look("twice")
    scan(page, label(5, V="BETA"))  # a source that is not approved
    assert "Beta is no approved source" in page.get_by_role("alert").inner_text()
    look("not approved")
    assert focused(page, "q") and page.get_by_role("button", name="Receive").count() == 0
    scan(page, label(6).replace(RS, "", 1))  # damaged
    assert "damaged" in page.get_by_role("alert").inner_text() and focused(page, "q")
    look("damaged")
    scan_with_function_keys(page, label(6))
    assert focused(page, "quantity-1")
    page.keyboard.type("480")  # the quantity was selected, and counted anew
    assert "with 480 of lot" in confirm(page) and focused(page, "q")
    for number in range(7, 12):
        scan(page, label(number))
        assert focused(page, "quantity-1") and "Received" in confirm(page) and focused(page, "q")
    look("received")
    assert Receipt.objects.count() == 10 and Container.objects.filter(lot__number="BF1103").count() == 10
    page.goto("/material/deliveries/ACME-D-9/")
    assert "10 came" in page.locator(".answer").inner_text() and "2 are missing" in page.locator(".answer").inner_text()
    look("delivery")
    page.goto("/material/deliveries/")
    look("deliveries")
    page.goto("/material/")
    look("area")


def test_a_scan_while_a_quantity_waits_is_the_next_package(page, plant: Plant, enter_as: Callable) -> None:
    enter_as(make_user("han", roles=[Role.HANDLER]))
    page.goto("/")
    assert focused(page, "q")
    scan(page, label(1))  # from the scan line that every page has
    assert "/material/receive/" in page.url and focused(page, "quantity-1")
    scan_with_function_keys(page, label(2))
    assert "Package PK-2" in page.locator(".answer").inner_text() and focused(page, "quantity-1")
    assert not Receipt.objects.exists()
    assert "Received: container BF1103-1" in confirm(page) and focused(page, "q")
    scan(page, "BF1103-1")
    assert page.url.endswith("/containers/BF1103-1/")


def test_a_quality_engineer_takes_in_what_no_source_is_approved_for(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user("quinn", roles=[Role.QUALITY]))
    page.goto("/material/receive/")
    assert focused(page, "q")
    scan(page, label(1, V="BETA"))
    page.get_by_label("Our part number").fill("RES")
    page.get_by_label("Why it is taken in").fill("The line waits for it.")
    shot("to quarantine")
    accessible()
    assert "held in quarantine" in confirm(page)
    shot("in quarantine")
    assert Hold.objects.get().reason == "The line waits for it."


def test_the_form_takes_what_has_no_label(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user("han", roles=[Role.HANDLER]))
    page.goto("/material/receive/?form=yes")
    page.get_by_label("Supplier", exact=True).select_option("ACME")
    page.get_by_label("Supplier’s part number").fill("A-1")
    page.get_by_label("Lot number").fill("L7")
    shot("form")
    accessible()
    page.get_by_label("Lot number").focus()
    assert "container L7-1 of lot L7" in confirm(page)
