"""A material handler sees what runs out, opens, seals and bakes, and prints labels; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from tests.browser.scanner import type_as_scanner
from tests.web.conftest import Suspects, build_suspects, make_user
from trace.core.clock import now
from trace.engineering.models import Part
from trace.engineering.operations import define_equipment
from trace.floor.operations.bags import open_bag
from trace.material.models import BagRecord

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    suspects = build_suspects()
    plant = suspects.plant
    Part.objects.filter(key="FUSE").update(moisture_level="4", name="Driver, 16 leads")
    fuse = Part.objects.get(key="FUSE")
    plant.do(define_equipment, key="OVEN-1", name="Bake oven by the stores", kind="oven")
    plant.reel("DRY", fuse, store="Cabinet 3", expiry=now().date() + timedelta(days=9))
    for key, hours in (("HALF", 30), ("PAST", 80)):
        reel = plant.reel(key, fuse, store="Cabinet 3")
        open_bag(container=reel, by=plant.ann, at=now() - timedelta(hours=hours))
    return suspects


@pytest.mark.parametrize("width", [1280, 390])
def test_what_runs_out_is_baked_and_sealed(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("hal"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/")
    page.get_by_role("link", name="What runs out").click()
    assert "1 container may not be used any more" in page.locator(".answer").inner_text()
    look("clocks")
    page.locator("#table-clocks").get_by_role("link", name="PAST", exact=True).click()
    assert "past floor life" in page.locator(".facts").inner_text()
    look("container")
    page.get_by_role("link", name="Record that it was opened").click()
    assert "only qualified people" in page.get_by_role("note").inner_text()
    look("dry pack")
    page.get_by_label("In which oven or chamber").select_option("OVEN-1")
    page.get_by_label("Temperature").fill("300")
    page.get_by_label("Hours").fill("9.5")
    page.get_by_role("button", name="Record the bake").click()
    assert "300 °C is no bake" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("Hours").input_value() == "9.5"
    look("refused")
    page.get_by_label("Temperature").fill("125")
    page.get_by_label("When it ended").fill("2026-03-02T19:00")
    page.get_by_role("button", name="Record the bake").click()
    page.wait_for_url("**/containers/PAST/")
    assert BagRecord.objects.filter(act="baked", container__key="PAST").count() == 1
    page.goto("/parts/FUSE/")
    assert "Take reel HALF first: it lies at Cabinet 3." in page.locator(".answer").inner_text()
    look("part")


def test_labels_are_scanned_and_printed_by_keyboard_alone(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    enter_as(make_user("hal"))
    page.goto("/material/labels/")
    type_as_scanner(page, "DRY\nHALF\nNONE")
    assert page.get_by_label("Containers and units, one a line").input_value() == "DRY\nHALF\nNONE\n"
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert "No container or unit is labelled NONE" in page.get_by_role("alert").inner_text()
    shot("labels refused")
    accessible()
    page.get_by_label("Containers and units, one a line").fill("DRY\nHALF")
    with page.expect_response("**/material/labels/") as answer:
        page.get_by_role("button", name="Make the PDF").click()
    assert answer.value.status == 200 and answer.value.headers["content-type"] == "application/pdf"
