"""A technician records what was done with a tester, a planner sets the shifts; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user
from trace.engineering.operations import define_check_piece, define_program

IN_VIEW = "e => e.getBoundingClientRect().top >= 0 && e.getBoundingClientRect().bottom <= innerHeight"

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    suspects = build_suspects()
    kind = "high-voltage tester"
    suspects.plant.do(define_check_piece, key="BAD-1", name="open fuse", kind=kind, good=False)
    suspects.plant.do(define_program, key="HV-P3", kind=kind, name="Mains test", revision="3")
    return suspects


@pytest.mark.parametrize("width", [1280, 390])
def test_a_shift_is_set_and_a_tester_made_fit_for_it(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("tess"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/calendar/set/")
    shift = page.get_by_role("group", name="Shift 1")
    shift.get_by_label("Name").fill("Day")
    shift.get_by_label("From").fill("00:00")
    shift.get_by_label("To", exact=True).fill("00:00")
    page.get_by_role("button", name="Set the shifts").click()
    assert "On which weekdays" in page.get_by_role("alert").inner_text()
    look("calendar refused")
    for weekday in ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"):
        shift.get_by_label(weekday).check()
    page.get_by_role("button", name="Set the shifts").click()
    page.wait_for_url("**/calendar/set/?set=shifts#shifts")
    form = page.get_by_role("form", name="Shifts", exact=True)
    assert "The shifts are set: Day hold" in form.get_by_role("status").inner_text()
    assert page.get_by_role("status").count() == 1
    look("shifts set")
    page.get_by_label("A day and its name").fill("Christmas")
    page.get_by_role("button", name="Set the days off").click()
    refused = page.get_by_role("form", name="Days off").get_by_role("alert")
    assert "The days off were not set" in refused.inner_text() and refused.evaluate(IN_VIEW)
    look("days off refused")
    page.get_by_label("Of the year").fill("2026")
    page.get_by_label("A day and its name").fill("2026-12-25 Christmas")
    page.get_by_role("button", name="Set the days off").click()
    page.wait_for_url("**/calendar/set/?set=days&year=2026#days-off")
    saved = page.get_by_role("form", name="Days off").get_by_role("status")
    assert "1 in 2026" in saved.inner_text() and saved.evaluate(IN_VIEW)
    page.get_by_role("link", name="The calendar as it is").click()
    page.wait_for_url("**/calendar/")
    assert "Shift Day works now" in page.locator(".answer").inner_text()
    look("calendar")
    page.goto("/equipment/")
    assert "1 still owes check pieces" in page.locator(".answer").inner_text()
    look("list")
    page.locator("#table-equipment").get_by_role("link", name="HV-1").click()
    assert "not fit" in page.locator(".answer").inner_text()
    assert "only qualified people" in page.get_by_role("note").inner_text()
    look("not fit")
    page.get_by_role("link", name="Record a calibration").click()
    look("to record")
    check(page, "good")
    assert "HV-1 failed a check piece and must not be used." in page.get_by_role("note").first.inner_text()
    look("failed")
    page.goto("/")
    assert "1 piece of equipment failed a check piece" in page.locator(".answer").inner_text()
    look("home")
    page.goto("/equipment/HV-1/use/")
    check(page, "bad")
    assert (
        page.locator(".answer").inner_text().endswith("fit.") and "right" in page.locator("#table-checks").inner_text()
    )
    look("fit")


def check(page, said: str) -> None:
    """Record what the tester said of the bad piece."""
    page.get_by_label("Piece", exact=True).select_option("BAD-1")
    page.get_by_role("group", name="It called the piece").get_by_label(said).check()
    page.get_by_role("button", name="Record the check").click()
    page.wait_for_url("**/equipment/HV-1/")


@pytest.mark.parametrize("width", [1280, 390])
def test_a_tester_is_calibrated_with_its_certificate_moved_and_retired(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("tess"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/equipment/HV-1/use/")
    assert "No file is with HV-1 yet." in page.get_by_role("group", name="Its certificate").inner_text()
    look("no file")
    page.get_by_role("link", name="Attach the certificate").click()
    page.get_by_label("File, up to").set_input_files({"name": "c.pdf", "mimeType": "application/pdf", "buffer": b"%"})
    page.get_by_role("button", name="Attach it").click()
    page.wait_for_url("**/equipment/HV-1/")
    page.goto("/equipment/HV-1/use/")
    page.get_by_role("group", name="Result").get_by_label("passed").check()
    page.get_by_label("A file that is with HV-1").select_option(index=1)
    page.get_by_label("Or the number of a paper certificate").fill("7")
    page.get_by_role("button", name="Record the calibration").click()
    alert = page.get_by_role("form", name="It was calibrated").get_by_role("alert")
    assert "It has one certificate" in alert.inner_text() and alert.evaluate(IN_VIEW)
    look("two certificates")
    page.get_by_label("Or the number of a paper certificate").fill("")
    page.get_by_role("button", name="Record the calibration").click()
    page.wait_for_url("**/equipment/HV-1/")
    assert page.locator("#table-calibrations").get_by_role("link", name="c.pdf").count() == 1
    page.get_by_role("link", name="Move it").click()
    page.get_by_label("It stands at").select_option("FINAL")
    look("to move")
    page.get_by_role("button", name="Move it").click()
    page.wait_for_url("**/equipment/HV-1/")
    assert page.locator(".facts").get_by_role("link", name="FINAL").count() == 1
    page.get_by_role("link", name="Retire it").click()
    look("to retire")
    page.get_by_role("button", name="Retire it").click()
    page.wait_for_url("**/equipment/HV-1/")
    assert "retired since" in page.locator(".answer").inner_text()
    look("retired")
