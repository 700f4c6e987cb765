"""A lot of diodes is screened and tested, a casting gauged, a sample rejected; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant
from tests.material.inspecting import GAUGE, SAMPLE, gauge, planned, waiting
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.engineering.operations import record_calibration
from trace.material.models import Lot, Manner
from trace.material.operations.inspection import InspectionRow

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SCREENED = InspectionRow(
    "Forward voltage", Manner.EVERY, allowable=Decimal(5), unit_of_measure="V", upper=Decimal("1.1"),
    screen="10 cycles from −40 °C to +125 °C",
)  # fmt: skip


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    planned(plant, SCREENED)
    planned(plant, GAUGE, part=plant.capacitor)
    planned(plant, SAMPLE, part=plant.fuse)
    record_calibration(equipment=gauge(plant), passed=True, by=plant.ann, at=now())
    waiting(plant, "D1", 1_000, 500)
    waiting(plant, "C1", 40, part=plant.capacitor)
    waiting(plant, "F1", 1_000, 1_000, part=plant.fuse)
    return plant


@pytest.mark.parametrize("width", [1280, 390])
def test_lots_are_inspected_and_decided(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("quinn"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/material/inspect/")
    assert "3 lots wait to be inspected" in page.locator(".answer").inner_text()
    look("waiting")
    page.get_by_role("link", name="inspect D1").click()
    assert "burns and freezes skin" in page.get_by_role("note").first.inner_text()
    page.get_by_label("Rejected of D1-1").fill("90")
    look("to test")
    page.get_by_label("The stress screen was done").check()
    page.get_by_role("button", name="Record Forward voltage").click()
    assert "It is rejected: Forward voltage: 90 of 1500" in page.locator(".answer").inner_text()
    look("rejected")
    page.get_by_label("By whom and how it was sorted").fill("All tested once more, by Tess.")
    page.get_by_role("button", name="Record the sorting").click()
    page.get_by_label("The stress screen was done").check()
    page.get_by_role("button", name="Record Forward voltage").click()
    page.get_by_label("On what evidence").fill("Report 12.")
    look("to release")
    page.get_by_role("button", name="Release the lot").click()
    assert page.locator(".answer").inner_text() == "It is released: Report 12."
    look("released")

    page.goto("/material/inspect/C1/")
    page.get_by_label("Scan the bore gauge").focus()
    type_as_scanner(page, "BG-1")
    readings = page.get_by_label("Readings in mm")
    assert readings.evaluate("field => field === document.activeElement")
    for reading in ("12.00", "12.01", "11.99", "12.00", "12.03"):  # as a gauge types them
        type_as_scanner(page, f"{reading}")
    page.get_by_role("button", name="Record Bore").click()
    assert "1 of 5 readings outside" in page.get_by_role("alert").inner_text()
    look("gauged and refused")
    assert readings.input_value().split() == ["12.00", "12.01", "11.99", "12.00", "12.03"]
    page.get_by_label("Rejected of C1-1").fill("1")
    page.get_by_role("button", name="Record Bore").click()
    assert "It is rejected" in page.locator(".answer").inner_text()
    look("gauged")

    page.goto("/material/inspect/F1/")
    assert "Draw 125 pieces at random" in page.locator("main").inner_text()
    look("to sample")
    page.get_by_role("button", name="Record Marking").press("Enter")
    assert "0 of 125 pieces rejected (accept up to 3, reject from 4): accepted." in page.locator("main").inner_text()
    page.goto("/lots/F1/")
    assert "quarantined since" in page.locator(".facts").inner_text()
    look("lot")
    assert set(Lot.objects.values_list("key", "status")) == {
        ("D1", "released"), ("C1", "rejected"), ("F1", "quarantined"),
    }  # fmt: skip
