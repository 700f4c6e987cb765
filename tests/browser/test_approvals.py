"""A quality engineer opens, signs and revokes a deviation with the keyboard; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    return build_suspects()


@pytest.mark.parametrize("width", [1280, 390])
def test_a_deviation_from_opening_to_its_end(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    enter_as(make_user("quinn"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/deviations/")
    look("list")
    page.get_by_role("link", name="Open a deviation").click()
    page.get_by_label("Its number").fill("DEV-7")
    page.get_by_label("the step due on the unit's route").check()
    page.get_by_label("Limited to, one a line").fill("part:BOARD\nstep:20\nstep:99")
    page.get_by_label("Reason").fill("The tester waits for a spare part.")
    page.get_by_label("Until", exact=True).fill("2099-01-01T12:00")
    page.get_by_label("For at most so many units").fill("5")
    page.get_by_role("button", name="Open it").click()
    assert "No route has a step 99" in page.get_by_role("alert").inner_text()
    look("refused")
    page.get_by_label("Limited to, one a line").fill("part:BOARD\nstep:20")
    page.get_by_role("button", name="Open it").click()
    page.wait_for_url("**/deviations/DEV-7/")
    assert "not approved" in page.locator(".answer").inner_text()
    page.get_by_role("link", name="Sign it").click()
    look("to sign")
    page.get_by_label("authorship").check()  # nobody approves their own
    page.get_by_label("Account name").fill("quinn")
    page.get_by_label("Password").fill("tin-plated-1")
    page.keyboard.press("Enter")
    page.wait_for_url("**/deviations/DEV-7/")
    assert "valid" in page.locator("#table-signatures").inner_text()
    look("signed")
    page.get_by_role("link", name="Attach a file").click()
    page.get_by_label("File, up to").set_input_files({"name": "a.txt", "mimeType": "text/plain", "buffer": b"a"})
    look("to attach")
    page.get_by_role("button", name="Attach it").click()
    page.wait_for_url("**/deviations/DEV-7/")
    with page.expect_download() as download:
        page.get_by_role("link", name="a.txt").click()
    assert download.value.suggested_filename == "a.txt"
    page.get_by_role("link", name="Revoke it").click()
    page.get_by_label("Reason").fill("The spare part came.")
    look("to revoke")
    page.get_by_role("button", name="Revoke it").click()
    page.wait_for_url("**/deviations/DEV-7/")
    assert "It is revoked" in page.locator(".answer").inner_text()
