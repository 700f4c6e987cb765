"""A sheet of paper is typed in with scanner and keyboard; what is wrong stands beside its line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant, make_person
from tests.web.conftest import make_user
from trace.core.permissions import Role
from trace.engineering.operations import define_equipment
from trace.floor.models import Pass, RefusedScan
from trace.floor.operations.refused import keep_refused_scan

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = {"desk": (1280, 900), "tablet": (1024, 768), "phone": (390, 844)}


@pytest.mark.parametrize("size", SIZES)
def test_a_sheet_is_typed_in(page: Any, enter_as: Callable, accessible: Callable, shot: Callable, size: str) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    plant = Plant()
    boards = plant.boards(2, minute=1)
    make_person("BOB", roles=[Role.OPERATOR])
    told = {"name": "Tester 1", "kind": "high-voltage tester", "station": plant.insertion}
    plant.do(define_equipment, key="HV-1", **told)
    enter_as(make_user("chief", roles=[Role.SUPERVISOR]))
    page.goto("/station/INSERT/paper/")
    page.get_by_label("Name of the sheet").fill("S-7")
    page.get_by_label("Day, by the plant’s clock").fill("2026-03-02")
    for number, unit in enumerate([boards[0].key, "SN-9999", boards[1].key], 1):
        page.get_by_label(f"Unit, line {number}", exact=True).focus()
        type_as_scanner(page, f"{unit}")
        assert page.evaluate("document.activeElement.name") == f"entered-{number}"
        page.keyboard.type(f"06{number}0", delay=80)  # by hand
        page.keyboard.press("Enter")
        page.get_by_label(f"Out at, line {number}", exact=True).fill(f"06:{number}5")
        page.get_by_label(f"Done by, line {number}", exact=True).fill("BOB")
    accessible()
    page.get_by_role("button", name="Record the sheet").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing was recorded yet; look at line 2.")
    expect(page.get_by_text("Line 2: No unit has the serial SN-9999.")).to_be_visible()
    accessible()
    shot(size)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_role("button", name="Record the other 2 lines as they stand").click()
    expect(page.get_by_role("alert")).to_contain_text("2 lines recorded; look at line 2.")
    expect(page.get_by_role("rowheader").filter(has_text="recorded")).to_have_count(2)
    accessible()
    assert list(Pass.objects.order_by("pk").values_list("unit__key", "by__key")) == [(b.key, "BOB") for b in boards]
    page.get_by_label("Unit, line 2", exact=True).fill("")
    page.get_by_label("Out at, line 2", exact=True).fill("")
    page.get_by_role("button", name="Record the sheet").click()
    expect(page.get_by_role("alert")).to_contain_text("No line was filled in.")
    assert Pass.objects.count() == 2


@pytest.mark.parametrize("size", SIZES)
def test_refused_scans_are_settled(
    page: Any, enter_as: Callable, accessible: Callable, shot: Callable, size: str
) -> None:
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    plant = Plant()
    for board in plant.boards(2):
        told = {"station": plant.test, "unit": board, "scanned": f"Scan in {board.key}", "told": f"unit: {board.key}"}
        why = {"sentence": f"Stop. Unit {board.key} is held: smells burnt.", "action": "Put it aside, marked."}
        plant.do(keep_refused_scan, 5, **told, code="held", **why)
    enter_as(make_user("chief", roles=[Role.SUPERVISOR]))
    page.goto("/")
    page.get_by_role("link", name="2 scans of an outage were refused").click()
    accessible()
    shot(size)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_label("Scan", exact=True).select_option(index=1)
    page.get_by_label("What became of the unit").fill("It is in the cage.")
    page.get_by_role("button", name="Settle it").click()
    expect(page.get_by_role("status").first).to_contain_text("is settled: It is in the cage. 1 scan waits")
    accessible()
    assert RefusedScan.objects.get(settled=None)
