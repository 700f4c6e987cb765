"""An operator fills a rack and sends it in, one board stays behind; a supervisor puts a wrong slot right."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.test_station_away import scan
from tests.factories import Plant
from tests.floor.test_panels import panel_part
from tests.web.conftest import make_user
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.floor.models import Carried, Pass
from trace.floor.operations.racks import define_rack, make_panel, put_in_rack
from trace.holds.operations import place_holds

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [1280, 1024, 390])
def test_a_rack_is_filled_sent_in_and_put_right(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    plant = Plant()
    one, two, three = plant.boards(3)
    plant.do(define_rack, key="RACK-7", slots=5, ordered=True)
    plant.do(make_panel, 1, key="PANEL-2", part=panel_part(plant), boards=[(1, three)])
    plant.do(place_holds, 4, targets=[two], reason="Solder bridges.")
    enter_as(make_user("sue"))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/")
    page.get_by_label("Scan or type").fill(label_text("RACK-7"))
    page.get_by_role("button", name="Open").click()
    page.wait_for_url("**/racks/RACK-7/")
    assert "It is empty: 5 slots are free." in page.locator(".answer").first.inner_text()
    look("empty rack")
    for unit in (one, two):
        form = page.get_by_role("form", name="A unit is put into it")
        form.get_by_label("Unit").fill(label_text(unit.key))
        form.get_by_role("button", name="It is in").click()
        page.wait_for_url("**/racks/RACK-7/?done=put_in_rack")
        page.get_by_role("link", name=unit.key).first.wait_for()
    form = page.get_by_role("form", name="All of it goes into a station")
    form.get_by_label("Station").fill("TEST")
    form.get_by_role("button", name="Scan it in").click()
    assert "still needs step 10" in page.get_by_role("alert").inner_text()
    look("refused")
    form = page.get_by_role("form", name="All of it goes into a station")
    form.get_by_label("Station").fill("INSERT")
    form.get_by_role("button", name="Scan it in").click()
    page.wait_for_url("**/racks/RACK-7/?done=start_carrier")
    assert "1 went, and 1 stayed behind" in page.locator("main").inner_text()
    assert "Solder bridges." in page.locator("#table-behind").inner_text()
    assert Pass.objects.get(inside=True).unit == one
    look("one stayed behind")
    page.get_by_role("link", name="This is wrong").first.click()
    page.wait_for_url("**/corrections/carried/*/")
    assert f"{one.key} put into slot 1 of RACK-7" in page.locator(".answer").inner_text()
    look("is this wrong")
    page.get_by_label("Why is it wrong?").fill("It stands in slot 3.")
    page.get_by_role("button", name="It never happened").click()
    page.get_by_text("It is void.").wait_for()
    assert "It stands in slot 3." in page.locator("main").inner_text()
    look("void")
    assert Carried.objects.filter(unit=one, superseded__isnull=False).count() == 1
    page.get_by_role("link", name="Everything that was put right").click()
    assert "1 record was put right" in page.locator(".answer").inner_text()
    look("corrections")
    page.goto(f"/units/{one.key}/")
    assert "recorded wrongly" in page.locator("#table-timeline").inner_text()
    look("unit")
    page.goto("/racks/PANEL-2/")
    look("panel")
    page.goto("/racks/")
    look("racks")


def test_a_rack_goes_through_a_station_by_scans(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    """In by its label; what was stopped is told; out while the server is away, with one that failed."""
    plant = Plant()
    boards = plant.boards(4)
    rack = plant.do(define_rack, key="RACK-7", slots=5)
    for board in boards:
        plant.do(put_in_rack, 1, rack=rack, unit=board)
    plant.do(place_holds, 4, targets=[boards[3]], reason="Solder bridges.")
    enter_as(make_user("olga", roles=[Role.OPERATOR]))
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto("/station/INSERT/")
    page.evaluate("navigator.serviceWorker.ready")
    scan(page, label_text("RACK-7"))
    expect(page.locator(".say .sentence")).to_have_text("RACK-7: 3 units went in. 1 stays behind.")
    expect(page.get_by_role("alert")).to_contain_text("Solder bridges.")
    for width in (1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        shot(f"left behind {width}")
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.context.set_offline(True)
    page.get_by_label(boards[1].key).check()
    page.get_by_role("button", name="RACK-7 passed").click()
    expect(page.locator("#kept .waiting li")).to_contain_text("RACK-7 passed")
    page.context.set_offline(False)
    expect(page.locator("#kept .waiting li")).to_have_count(0, timeout=60_000)
    done = Pass.objects.filter(superseded=None).order_by("unit__key")
    assert list(done.values_list("outcome", flat=True)) == ["passed", "failed", "passed"]
