"""The desks of packing and dispatch: what each scan does there, and who may."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import make_part
from tests.floor.test_cartons import Dock
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.keys import label_text
from trace.core.permissions import Role
from trace.engineering.models import Part
from trace.floor.models import Carton, Closing, Packing, Shipment
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment
from trace.floor.operations.pallets import stack_pallet, start_pallet

pytestmark = pytest.mark.django_db


class Desk:
    """Somebody who scans at one desk after another: an answer leads to the next address."""

    def __init__(self, client: Client, address: str) -> None:
        self.client, self.address = client, address

    def tell(self, text: str = "", **sent: str) -> str:
        """What the page says after that."""
        response = self.client.post(self.address, {"told": text, **sent})
        if response.status_code == 302:
            self.address = response["Location"]
            response = self.client.get(self.address)
        return text_of(response.content.decode())


@pytest.fixture
def dock(db: None, client: Client) -> Dock:
    client.force_login(make_user("pat", roles=[Role.HANDLER]))
    dock = Dock(2, rule=True)
    dock.plant.reel("BOX-OF-MANUALS", dock.manual)
    return dock


def test_contents_are_scanned_or_ticked_and_a_wrong_one_is_refused(client: Client, dock: Dock) -> None:
    desk = Desk(client, "/dispatch/")
    assert "It is empty. Scan the first unit." in desk.tell(do="start_carton", key="CT-7")
    assert desk.address.startswith("/dispatch/cartons/CT-7/")
    assert "MANUAL, Manual, does not go into an empty carton." in desk.tell("MANUAL")
    for product in dock.products:
        assert f"Go {product.key} is in." in desk.tell(label_text(product.key))
    assert f"{dock.products[0].key} is here already." in desk.tell(dock.products[0].key)
    assert "1 of 2 Manual" in desk.tell(label_text("BOX-OF-MANUALS"))
    assert "FUSE, Fuse, does not go in with PRODUCT." in desk.tell("FUSE")
    assert "1 of MANUAL, Manual, is missing." in desk.tell("CLOSE")
    assert "2 of 2 Manual" in desk.tell("MANUAL")
    assert "All 2 of MANUAL are counted in." in desk.tell("MANUAL")
    assert "MANUAL is not counted in." in desk.tell("NONE MANUAL")
    assert "2 of 2 Manual" in desk.tell("ALL MANUAL")
    assert "It is closed: print its label" in desk.tell("close")
    assert Closing.objects.get().contents == [["MANUAL", 2]]
    assert "Carton CT-7 is closed." in desk.tell("MANUAL")
    assert "Reason: This field is required." in desk.tell(do="open_carton", reason=" ")
    desk.tell(do="open_carton", reason="a dent")
    assert f"{dock.products[0].key} is out again." in desk.tell(
        do="unpack_unit", unit=label_text(dock.products[0].key), reason="a dent"
    )
    assert Packing.objects.filter(until=None).get().unit == dock.products[1]


def test_a_scan_leads_to_the_desk_of_what_was_scanned_and_says_what_is_taken_there(client: Client, dock: Dock) -> None:
    plant = dock.plant
    dock.rule()
    one = plant.carton(dock.products[:1], 10, "CT-1")
    two = plant.carton(dock.products[1:], 10, "CT-2")
    plant.do(stack_pallet, 11, pallet=plant.do(start_pallet, 10, key="PAL-1"), cartons=[one])
    desk = Desk(client, "/dispatch/")
    desk.tell(label_text("CT-1"))
    assert desk.address == "/dispatch/cartons/CT-1/"
    assert "It is on pallet PAL-1." in text_of(client.get(desk.address).content.decode())
    desk.tell("PAL-1")
    assert desk.address == "/dispatch/pallets/PAL-1/"
    assert "That is station TEST. Scan a closed carton." in desk.tell("TEST")
    assert "Nothing in this plant is called “NONE-1”" in desk.tell("NONE-1")
    assert "is a unit, Product. Scan a closed carton." in desk.tell(dock.products[1].key)
    assert "2 cartons on it." in desk.tell(two.key)
    desk = Desk(client, "/dispatch/")
    assert "for A customer." in desk.tell(do="open_shipment", customer="CUST", key="SH-1")
    assert "2 cartons with 2 units, on 1 pallet, for A customer." in desk.tell("PAL-1")
    assert "PAL-1 is here already." in desk.tell("PAL-1")
    assert "XX is no carton and no pallet." in desk.tell(do="unload_shipment", cartons="XX", reason="x")
    assert "Nothing is on it, for A customer." in desk.tell(do="unload_shipment", cartons="PAL-1", reason="wrong one")
    assert "Shipment SH-1 is empty." in desk.tell("SEND")
    desk.tell("PAL-1")
    assert "It was sent on" in desk.tell("send")
    assert Shipment.objects.get().departed is not None
    assert client.post("/dispatch/", {"told": dock.products[0].key})["Location"].startswith("/scan/?q=")


def test_who_may_not_pack_sees_and_packs_nothing(client: Client, dock: Dock) -> None:
    plant = dock.plant
    plant.do(pack_units, 10, carton="CT-1", units=dock.products[:1])
    make_part("UNNAMED", kind=Part.Kind.PACKAGING)
    client.force_login(make_user("amy", roles=[Role.AUDITOR]))
    page = text_of(client.get("/dispatch/cartons/CT-1/").content.decode())
    assert "1 of 2 × PRODUCT Product." in page and "Close the carton" not in page and "is out" not in page
    assert "may not pack units" in Desk(client, "/dispatch/cartons/CT-1/").tell(dock.products[1].key)
    assert "may not close a carton" in Desk(client, "/dispatch/cartons/CT-1/").tell("CLOSE", short="x")
    assert not Closing.objects.exists() and Carton.objects.count() == 1
    assert client.get("/dispatch/cartons/NONE/").status_code == 404


def test_a_shipment_that_never_departed_is_recalled_from_its_page(client: Client) -> None:
    client.force_login(make_user())
    dock = Dock(1)
    plant = dock.plant
    box = plant.carton(dock.products[:1], 10, "CT-1")
    plant.do(load_shipment, 11, shipment="SH-1", customer=dock.customer, cartons=[box])
    plant.do(send_shipment, 12, shipment=Shipment.objects.get(key="SH-1"))
    page = "/dispatch/shipments/SH-1/"
    assert "It never departed" in text_of(client.get(page).content.decode())
    told = {"do": "recall_shipment", "reason": "the lorry broke down"}
    text = text_of(client.post(page, told, follow=True).content.decode())
    assert "The shipment is recalled: it never departed." in text
    assert "Load its cartons on another shipment." in text
    assert "recalled: it never departed" in text_of(client.get("/shipments/SH-1/").content.decode())
    assert "never: it was recalled" in text_of(client.get("/customers/CUST/").content.decode())
    happened = rows_of(client.get(f"/units/{dock.products[0].key}/?csv=timeline"))
    assert happened[0]["What"] == "still here: never departed on SH-1 (the lorry broke down)"
    assert "SH-1 recorded as sent" in text_of(client.get("/corrections/").content.decode())
    assert client.get("/shipments/SH-1/packing-list.csv").content.decode().count("CT-1") == 0
