"""A planner approves, releases and retires revisions with the keyboard; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user
from trace.core.permissions import Role
from trace.engineering.models import Part
from trace.engineering.operations import revise_part

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    return build_suspects()


@pytest.mark.parametrize("width", [1280, 390])
def test_a_draft_from_its_making_to_its_end(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("pia", roles=[Role.PLANNER]))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    suspects.plant.do(revise_part, 70, part=suspects.plant.board, revision="B")
    page.goto("/parts/BOARD/revisions/")
    page.get_by_role("link", name="revision B of BOARD").click()
    page.wait_for_url("**/parts/BOARD-B/revisions/")
    look("a draft")
    page.get_by_role("link", name="BOARD to BOARD-B").click()
    look("compared")
    page.go_back()
    page.get_by_role("link", name="Release it").click()
    look("to release")
    page.get_by_label("For units from the serial").fill("SN-900")
    page.get_by_label("Account name").fill("pia")
    page.get_by_label("Password").fill("wrong")
    page.keyboard.press("Enter")
    assert "nothing was signed" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("For units from the serial").input_value() == "SN-900"
    look("refused")
    page.get_by_label("Account name").fill("pia")
    page.get_by_label("Password").fill("tin-plated-1")
    page.keyboard.press("Enter")
    page.wait_for_url("**/parts/BOARD-B/revisions/")
    assert "units from SN-900 on are built by it" in page.locator(".answer").inner_text()
    look("released")
    page.get_by_label("Revision", exact=True).fill("C")
    page.keyboard.press("Enter")
    page.wait_for_url("**/parts/BOARD-C/revisions/")
    page.get_by_role("link", name="Release it").click()
    assert "nobody approves their own" in page.locator("main").inner_text()
    look("one's own")
    page.go_back()
    page.get_by_role("link", name="Retire it").click()
    page.get_by_label("Reason").fill("Never built.")
    look("to retire")
    page.get_by_role("button", name="Retire BOARD-C").click()
    page.wait_for_url("**/parts/BOARD-C/revisions/")
    assert Part.objects.get(key="BOARD-C").retired
    page.goto("/record/?what=sign")
    page.locator("#table-entries tbody a").first.click()
    assert "Does it stand?" in page.locator("main").inner_text()
    look("entry of the signature")
