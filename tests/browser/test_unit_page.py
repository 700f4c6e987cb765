"""An auditor reads a unit of a thousand parts, as it is and as it was; a technician swaps what is in it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.factories import Plant, approve_substitute, make_part
from tests.floor.test_conforming import revised
from tests.web.big import build_big
from tests.web.conftest import make_user
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.engineering.models import Part
from trace.floor.models import Fitting, Unit
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.findings import find_loose
from trace.floor.operations.fittings import remove_part

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (390, 844)])
def test_the_life_of_a_large_unit(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int, height: int
) -> None:
    plant = Plant()
    top = build_big(plant)
    first = Unit.objects.get(key="BIG-250-N1")
    plant.do(remove_part, 70, unit=first, designator="C9", reason="burnt", goes_to="scrap cage")
    enter_as(make_user("ada"))
    page.set_viewport_size({"width": width, "height": height})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto(f"/units/{top.key}/")
    assert "1003 of 1004 places are filled" in page.locator(".answer").inner_text()
    look("unit")
    page.locator("details.unit > summary", has_text=first.key).click()
    group = page.locator("details.group", has=page.locator("summary", has_text="CAP"))
    group.locator("summary").click()
    group.get_by_role("row", name="C125").wait_for()
    assert page.get_by_role("row", name="R125").count() == 0, "only what was opened is fetched"
    look("branch")
    page.get_by_role("link", name="1", exact=True).first.click()
    page.wait_for_url("**design-match=missing**")
    row = page.locator("#table-design tbody tr")
    assert row.count() == 1 and "C9" in row.inner_text() and "missing" in row.inner_text()
    look("missing")

    plant.do(find_loose, 80, child=first)
    page.goto(f"/units/{top.key}/inside/")
    assert f"Which unit is at A1 of {top.key} is not known" in page.locator(".answer").inner_text()
    look("doubt")
    page.get_by_role("link", name="a unit was found in it").click()
    page.locator("#find_child-designator").select_option("A1")
    page.locator("#find_child-child").fill(first.key)
    page.locator("#find_child-child").press("Enter")
    page.get_by_text("Recorded: a unit was found in it.").wait_for()
    assert Fitting.objects.get(child=first, until=None).unit == top
    look("inside")


def test_rework_brings_a_board_to_a_later_revision(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    """The page names what does not agree yet; a technician does that, and then the quality engineer says so."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("R-A"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("C-A", plant.capacitor))
    approve_substitute(plant.board, "C1", make_part("CAP-B"))
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6)
    new = revised(plant)  # R2 goes, and C1 is a CAP-B
    plant.reel("C-B", Part.objects.get(key="CAP-B"))
    quinn, tess = make_user("quinn", roles=[Role.QUALITY]), make_user("tess", roles=[Role.OPERATOR, Role.TECHNICIAN])
    page.set_viewport_size({"width": 1024, "height": 768})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= 1024, step

    def conform() -> None:
        form = page.get_by_role("form", name="Rework brought it to a later revision")
        form.get_by_label("Revision").select_option(new.key)
        form.get_by_label("Why").fill("change 17")
        form.get_by_role("button").click()

    enter_as(quinn)
    page.goto(f"/units/{board.key}/")
    page.get_by_role("link", name="What goes in and out of it").click()
    conform()
    wrong = page.get_by_role("alert").inner_text()
    assert "C1: CAP is there, and it has CAP-B" in wrong and "R2: RES is there, and it has no such place" in wrong
    look("not reworked yet")
    enter_as(tess)
    page.goto(f"/units/{board.key}/inside/")
    assert page.get_by_role("form", name="Rework brought it to a later revision").count() == 0
    form = page.get_by_role("form", name="A part of a container goes in")
    form.get_by_label("Place").fill("C1")
    form.get_by_label("Label of the container").fill(label_text("C-B"))
    form.get_by_label("Why").fill("change 17")
    form.get_by_role("button").click()
    page.get_by_text("Recorded: a part of a container goes in.").wait_for()
    form = page.get_by_role("form", name="Something is taken out")
    form.get_by_label("Place").fill("R2")
    form.get_by_label("Why").fill("change 17")
    form.get_by_role("button").click()
    page.get_by_text("Recorded: something is taken out.").wait_for()
    look("reworked")
    enter_as(quinn)
    page.goto(f"/units/{board.key}/inside/")
    conform()
    page.get_by_text("Recorded: rework brought it to a later revision.").wait_for()
    page.goto(f"/units/{board.key}/")
    said = page.locator("main").inner_text()
    assert "revision B" in page.locator(".answer").inner_text()
    assert "It was built by BOARD, as its order pins." in said and f"it conforms to {new.key}: change 17" in said
    assert f"conforms to {new.key}" in page.locator("#table-timeline").inner_text()
    look("conforms")
