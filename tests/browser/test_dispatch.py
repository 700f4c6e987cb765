"""Finished units go into cartons, onto a pallet and out on a shipment, by somebody who does what the pages say."""

from __future__ import annotations

from collections.abc import Callable

import pypdfium2
import pytest
import zxingcpp

from tests.browser.working import Packer, read_csv
from tests.factories import make_part
from tests.floor.test_cartons import Dock
from tests.web.conftest import make_user
from trace.core.clock import OPEN
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.engineering.models import Part, Step
from trace.engineering.operations import PackingRow
from trace.floor.models import Closing, Shipment, Unit
from trace.floor.shipments import list_cartons_on, list_packed
from trace.genealogy.whereabouts import find_whereabouts
from trace.holds.operations import place_holds, release_hold

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [1280, 768, 390])
def test_finished_units_are_packed_stacked_loaded_and_sent(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, width: int
) -> None:
    dock = Dock(5)
    plant, held = dock.plant, dock.products[1]
    guard = make_part("GUARD", kind=Part.Kind.PACKAGING)
    dock.rule(PackingRow(plant.product, 2), PackingRow(dock.manual, 1), PackingRow(guard, 4))
    Step.objects.filter(part=plant.product).update(caution="Heavy unit: lift with two people.")
    plant.do(place_holds, 7, targets=[held], reason="Cracked cover.")
    enter_as(make_user("pat", roles=[Role.OPERATOR]))
    page.set_viewport_size({"width": width, "height": 900})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    page.goto("/dispatch/")
    assert "5 finished units wait to be packed" in page.locator(".answer").inner_text()
    assert "Only a quality engineer releases it" in page.locator("main").inner_text()
    look("what waits")
    bench = [row["Unit"] for row in read_csv(page.evaluate("fetch('?csv=finished').then(r => r.text())"))]
    assert set(bench) == {product.key for product in dock.products}
    packer = Packer(page, sorted(bench))

    packer.press("Start a carton")
    look("a new carton")
    packer.fill()
    look("closed")
    assert packer.aside == [held.key] and len(packer.bench) == 2
    first = page.locator("h1 .key").inner_text()
    pdf = page.evaluate(
        "u => fetch(u).then(r => r.arrayBuffer()).then(b => [...new Uint8Array(b)])",
        page.get_by_role("link", name="Print its label").get_attribute("href"),
    )
    document = pypdfium2.PdfDocument(bytes(pdf))
    label = document[0].render(scale=3).to_pil()
    document.close()
    assert [found.text for found in zxingcpp.read_barcodes(label)] == [label_text(first)]
    assert packer.scan(label_text(packer.bench[0])) == "Stop"
    assert "Open it with a record first." in page.locator(".say").inner_text()
    look("stopped")
    opened = page.get_by_role("form", name="Open it again")
    opened.get_by_label("Why").fill("The edge guards were left out.")
    with page.expect_navigation():
        opened.get_by_role("button", name="Open it").click()
    assert "The carton is open again." in page.locator(".say").inner_text()
    assert packer.scan(label_text("GUARD")) == "Go"
    look("counted one")
    page.get_by_role("button", name="Guard: all 4 are in").click()
    page.get_by_role("button", name="Guard: not counted in").wait_for()
    packer.press("Close the carton")
    assert "1 of MANUAL, Manual, is missing." in page.locator(".say").inner_text()
    page.get_by_role("button", name="Manual: it is in").click()
    page.get_by_role("button", name="Manual: not counted in").wait_for()
    packer.press("Close the carton")
    assert "It is closed" in packer.told

    page.goto("/dispatch/")
    packer.press("Start a carton")
    packer.fill()
    second = page.locator("h1 .key").inner_text()
    page.goto("/dispatch/")
    packer.press("Start a pallet")
    assert "Scan a closed carton." in packer.told
    pallet = page.locator("h1 .key").inner_text()
    for carton in (first, second):
        assert packer.scan(label_text(carton)) == "Go"
    look("pallet")
    page.goto("/dispatch/")
    page.get_by_label("Customer").select_option(label="A customer")
    packer.press("Open a shipment")
    shipment = page.locator("h1 .key").inner_text()
    assert packer.scan(label_text(first)) == "Stop"
    assert "Load the pallet" in page.locator(".say").inner_text()
    assert packer.scan(label_text(pallet)) == "Go"
    look("loaded")
    (cracked,) = plant.do(place_holds, 8, targets=[dock.boards[0]], reason="A crack in its solder.")
    packer.press("Send the shipment")
    said = page.locator(".say").inner_text()
    assert "Stop" in said and "A crack in its solder." in said and "Only a quality engineer releases it" in said
    look("a hold on a board inside")
    plant.do(release_hold, 9, hold=cracked, reason="Seen under the microscope.")
    packer.press("Send the shipment")
    assert "The shipment is sent." in page.locator(".say").inner_text()
    look("sent")

    lines = read_csv(page.evaluate("u => fetch(u).then(r => r.text())", f"/shipments/{shipment}/packing-list.csv"))
    sent = {unit.key for unit in dock.products} - {held.key}
    assert {row["serial"] for row in lines if row["serial"]} == sent
    on = list_packed(list_cartons_on(Shipment.objects.get()))
    assert {serial for line in on for serial in line.serials} == sent
    where = find_whereabouts([dock.products[0].pk], OPEN)[dock.products[0].pk]
    assert str(where) == f"shipped to A customer on {shipment} in carton {first} on pallet {pallet}"
    assert Closing.objects.filter(until__isnull=False).get().reason == "The edge guards were left out."
    assert Unit.objects.filter(packings=None, key=held.key).exists()
