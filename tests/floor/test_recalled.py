"""A shipment that was recorded as sent, and never departed."""

from __future__ import annotations

import pytest

from tests.factories import moment, ticks
from tests.floor.test_cartons import Dock
from tests.refusals import refused
from trace.core.clock import telling
from trace.floor.models import Shipment
from trace.floor.operations.dispatch import load_shipment, recall_shipment, send_shipment
from trace.floor.operations.pallets import stack_pallet, start_pallet
from trace.floor.operations.returns import receive_return
from trace.floor.progress import State, list_by_state
from trace.floor.returns import find_departure
from trace.floor.shipments import list_cartons_on
from trace.genealogy.known import as_known
from trace.holds.models import Hold
from trace.holds.operations import place_holds
from trace.web.timeline import list_departures

pytestmark = pytest.mark.django_db


class Sent(Dock):
    """One product in a carton on a pallet, sent on SH-1 at minute 20."""

    def __init__(self) -> None:
        with telling(moment(14)):
            super().__init__(1)
            (self.product,) = self.products
            self.box = self.plant.carton([self.product], 10, "CT-1")
            self.pallet = self.plant.do(start_pallet, 11, key="PAL-1")
            self.plant.do(stack_pallet, 12, pallet=self.pallet, cartons=[self.box])
        self.load("SH-1", 15)
        self.shipment = self.send("SH-1", 20)

    def load(self, key: str, minute: float) -> None:
        with telling(moment(minute)):
            self.plant.do(load_shipment, minute, shipment=key, customer=self.customer, pallets=[self.pallet])

    def send(self, key: str, minute: float) -> Shipment:
        with telling(moment(minute)):
            return self.plant.do(send_shipment, minute, shipment=Shipment.objects.get(key=key))

    def recall(self, minute: float, **told: object) -> Shipment:
        with telling(moment(minute)):
            return self.plant.do(recall_shipment, minute, shipment=self.shipment, reason="the lorry broke down", **told)


@pytest.fixture
def sent() -> Sent:
    return Sent()


def test_what_never_departed_is_in_its_carton_and_goes_on_another_shipment(sent: Sent) -> None:
    out = "shipped to A customer on SH-1 in carton CT-1 on pallet PAL-1"
    assert sent.where(sent.product, 30) == out
    sent.recall(40)
    for minute in (25, 50):
        assert "CT-1" in sent.where(sent.product, minute) and "SH-1" not in sent.where(sent.product, minute)
    with as_known(ticks(30)):
        assert sent.where(sent.product, 30) == out, "as was believed then"
    sent.shipment.refresh_from_db()
    assert sent.shipment.recalled and list_cartons_on(sent.shipment) == []
    assert find_departure(sent.product) is None and list_departures([sent.product]) == []
    assert list_by_state(type(sent.product).objects.filter(pk=sent.product.pk)).get().state == State.PACKED
    sent.load("SH-2", 45)
    assert sent.send("SH-2", 50).recalled is False
    assert sent.where(sent.product, 60) == out.replace("SH-1", "SH-2")
    assert [one.key for one in list_departures([sent.product])] == ["SH-2"]


def test_what_is_not_recalled(sent: Sent) -> None:
    plant, told = sent.plant, {"shipment": sent.shipment, "reason": "the lorry broke down"}
    early = refused(plant, "dispatch-refused", recall_shipment, 19, **told)
    assert early.message == "Shipment SH-1 was sent after that moment."
    refused(plant, "dispatch-refused", recall_shipment, 30, shipment=sent.shipment, reason=" ")
    back = plant.do(receive_return, 30, unit=sent.product, complaint="dead")
    came = refused(plant, "dispatch-refused", recall_shipment, 40, **told)
    assert came.message == f"Something of shipment SH-1 came back from its customer, in {back.key}."


def test_it_is_recalled_once_and_only_when_sent(sent: Sent) -> None:
    told = {"reason": "the lorry broke down"}
    sent.recall(30)
    assert (
        "recalled before"
        in refused(sent.plant, "dispatch-refused", recall_shipment, **told, shipment=sent.shipment).message
    )
    sent.load("SH-2", 35)
    waiting = Shipment.objects.get(key="SH-2")
    assert "was not sent" in refused(sent.plant, "dispatch-refused", recall_shipment, **told, shipment=waiting).message


def test_what_a_hold_on_the_shipment_keeps_here_stays_held(sent: Sent) -> None:
    sent.plant.do(place_holds, 25, targets=[sent.shipment], reason="wrong customer")
    sent.recall(30)
    assert Hold.objects.filter(target_kind="carton", target_key="CT-1", released=None).exists()
    refused(sent.plant, "held", load_shipment, 40, shipment="SH-2", customer=sent.customer, pallets=[sent.pallet])
