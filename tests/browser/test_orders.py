"""A planner releases an order and follows it; somebody replaces a label; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.engineering.models import Step
from trace.engineering.operations import set_serial_rule
from trace.floor.models import WorkOrder
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def plant(transactional_db: None) -> Plant:
    plant = Plant()
    plant.do(set_serial_rule, number="BOARD", prefix="CB-{YY}{WW}-", digits=4)
    Step.objects.filter(part=plant.board, number=20).update(caution="High voltage.")
    return plant


def work(plant: Plant) -> None:
    """Some units go in, one fails, one is scrapped."""
    one, two, three, *_ = WorkOrder.objects.get().units.order_by("pk")
    for unit in (one, two, three):
        start_pass(unit=unit, station=plant.insertion, by=plant.ann, at=now())
        told = {"outcome": "failed"} if unit == two else {}
        finish_pass(unit=unit, by=plant.ann, at=now(), **told)
    scrap_unit(unit=three, reason="cracked", by=plant.ann, at=now())


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (1024, 768), (390, 844)])
def test_an_order_from_its_release_to_its_labels(
    page, plant: Plant, enter_as: Callable, accessible: Callable, shot: Callable, width: int, height: int
) -> None:
    enter_as(make_user("pia"))
    page.set_viewport_size({"width": width, "height": height})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/")
    page.get_by_role("link", name="Orders", exact=True).click()
    page.get_by_role("link", name="Release an order").click()
    page.get_by_label("Its number").fill("wo-1")
    page.get_by_label("Part", exact=True).select_option("BOARD")
    page.get_by_label("So many, with serials").fill("20")
    page.get_by_label("Due, if a day is set").fill("2020-01-01")
    page.get_by_role("button", name="Release it").click()
    assert "before it is released" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("So many, with serials").input_value() == "20"
    look("refused")
    page.get_by_label("Due, if a day is set").fill("")
    page.get_by_role("button", name="Release it").click()
    page.wait_for_url("**/orders/WO-1/?released")
    work(plant)
    page.goto("/orders/WO-1/")
    assert "0 of its 20 units of Board have come through, 19 are to be finished" in page.locator(".answer").inner_text()
    look("order")
    page.get_by_role("link", name="1 failed: step 10").click()
    assert "Of step 10, Step 10: failed." in page.locator(".then").inner_text()
    look("failed")
    page.goto("/orders/")
    assert "1 of the 1 on record is open" in page.locator(".answer").inner_text()
    look("orders")
    first = WorkOrder.objects.get().units.order_by("pk")[0].key
    page.goto(f"/units/{first}/")
    page.get_by_role("link", name="Its label").click()
    page.locator("#replace_label-reason").fill("scratched")
    page.get_by_role("button", name="Replace it").click()
    assert f"The one that says {first}-L2" in page.locator("main").inner_text()
    look("label")
    page.goto(f"/scan/?q={first}-L2")
    page.wait_for_url(f"**/units/{first}/")


def test_travellers_and_labels_come_as_files(page, plant: Plant, enter_as: Callable, accessible: Callable) -> None:
    enter_as(make_user("pia"))
    page.goto("/orders/new/?part=BOARD")
    page.get_by_label("Its number").fill("WO-1")
    page.get_by_label("So many, with serials").fill("2")
    page.get_by_role("button", name="Release it").click()
    page.wait_for_url("**/orders/WO-1/?released")
    for address in ("/orders/WO-1/travellers.pdf?for=unit&paper=A5", "/orders/WO-1/travellers.pdf?for=order&paper=A4"):
        answer = page.request.get(address)
        assert answer.ok and answer.headers["content-type"] == "application/pdf"
    page.get_by_role("link", name="Print labels of its units").click()
    page.get_by_label("On", exact=True).select_option("10x10")
    accessible()
    with page.expect_response(lambda answer: answer.request.method == "POST") as answer:
        page.get_by_role("button", name="Make the PDF").click()
    assert answer.value.status == 200 and answer.value.headers["content-type"] == "application/pdf"
