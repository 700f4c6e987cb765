"""A technician records what was done with a tester, a planner sets the shifts; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user
from trace.engineering.operations import define_check_piece, define_program

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
    page.get_by_label("Piece", exact=True).select_option("BAD-1")
    page.get_by_role("group", name="It called the piece").get_by_label("bad").check()
    page.get_by_role("button", name="Record the check").click()
    page.wait_for_url("**/equipment/HV-1/")
    assert (
        page.locator(".answer").inner_text().endswith("fit.") and "right" in page.locator("#table-checks").inner_text()
    )
    look("fit")
