"""Orders, scrap, cartons and shipments, holds and corrections: what is done and what is refused."""

from __future__ import annotations

import pytest

from tests.factories import Plant, ticks
from tests.refusals import refused
from trace.floor.models import Carton, Consignment, Customer, Packing, Pass, Shipment, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.dispatch import define_customer, load_shipment, pack_units, send_shipment, unpack_unit
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import release_order, scrap_unit
from trace.floor.operations.passes import start_pass
from trace.holds.operations import place_holds, release_hold
from trace.holds.rules import ALWAYS_PERMITTED, Move

pytestmark = pytest.mark.django_db


def test_an_order_issues_its_serials() -> None:
    plant = Plant()
    arguments = {"key": "WO-1", "part": plant.board, "site": plant.site, "serials": ["SN-A", "sn-b"]}
    order = plant.do(release_order, 5, **arguments)
    assert list(order.units.values_list("key", "part", "created")) == [
        ("SN-A", plant.board.pk, ticks(5)),
        ("SN-B", plant.board.pk, ticks(5)),
    ]
    assert order.quantity == 2
    good = {**arguments, "key": "WO-2", "serials": ["SN-C"]}
    for code, wrong in (
        ("order-refused", {"part": plant.resistor}),
        ("order-refused", {"serials": []}),
        ("order-refused", {"serials": ["SN-C", "SN-A"]}),
        ("order-refused", {"serials": ["SN-C", "sn-c"]}),
        ("key-in-use", {"key": "WO-1"}),
        ("bad-key", {"serials": ["SN C"]}),
    ):
        refused(plant, code, release_order, **{**good, **wrong})


def test_a_scrapped_unit_leaves_its_station_and_is_scrapped_once() -> None:
    plant = Plant()
    (board,) = plant.boards()
    refused(plant, "order-refused", scrap_unit, unit=board, reason=" ")
    visit = plant.do(start_pass, 5, unit=board, station=plant.insertion)
    (hold,) = plant.do(place_holds, 6, targets=[board], reason="a crack")
    refused(plant, "held", scrap_unit, unit=board, reason="broken")
    plant.do(release_hold, 7, hold=hold, reason="decided")
    assert plant.do(scrap_unit, 9, unit=board, reason="broken").scrapped == ticks(9)
    visit.refresh_from_db()
    assert (visit.outcome, visit.inside, visit.drew, visit.last) == ("aborted", False, "unsure", ticks(9))
    refused(plant, "order-refused", scrap_unit, unit=board, reason="broken")


class Goods:
    """Two finished products, one of them with a board in it, and a customer."""

    def __init__(self) -> None:
        self.plant = plant = Plant()
        self.first, self.second = plant.products(2)
        (self.board,) = plant.boards()
        plant.do(fit_child, 5, unit=self.first, designator="M1", child=plant.finish(self.board, 1))
        for product in (self.first, self.second):
            if product == self.second:
                (other,) = plant.boards()
                plant.do(fit_child, 5, unit=product, designator="M1", child=plant.finish(other, 1))
            plant.finish(product, 6)
        self.customer = plant.do(define_customer, key="CUST", name="A customer")


def test_units_are_packed_loaded_and_sent() -> None:
    goods = Goods()
    plant, units = goods.plant, [goods.first, goods.second]
    carton = plant.carton(units, 10, "ct-1")
    assert set(Packing.objects.values_list("unit", "carton__key", "since", "until")) == {
        (unit.pk, "CT-1", ticks(10), None) for unit in units
    }
    shipment = plant.do(load_shipment, 12, shipment="SH-1", customer=goods.customer, cartons=[carton, carton])
    assert Consignment.objects.get().carton == carton
    assert plant.do(send_shipment, 15, shipment=shipment).departed == ticks(15)
    refused(plant, "dispatch-refused", send_shipment, shipment=shipment)
    refused(plant, "dispatch-refused", unpack_unit, unit=goods.first, reason="x")
    refused(plant, "stopped", start_pass, unit=goods.first, station=plant.final)
    (third,) = plant.boards()
    refused(plant, "dispatch-refused", pack_units, carton="CT-1", units=[plant.finish(third, 20)])
    refused(plant, "dispatch-refused", load_shipment, shipment="SH-1", customer=goods.customer, cartons=[carton])


def test_packing_is_refused() -> None:
    goods = Goods()
    plant = goods.plant
    unfinished, inside, scrapped = plant.boards(3)
    plant.do(start_pass, 8, unit=inside, station=plant.insertion)
    plant.do(scrap_unit, 8, unit=plant.finish(scrapped, 4), reason="x")
    for units in ([], [goods.first, unfinished], [goods.first, inside], [scrapped], [goods.board]):
        refused(plant, "dispatch-refused", pack_units, carton="CT-1", units=units)
    assert not Carton.objects.exists()
    refused(plant, "bad-key", pack_units, carton="", units=[goods.first])
    for target in (goods.first, goods.board):
        (hold,) = plant.do(place_holds, 9, targets=[target], reason="a crack")
        refused(plant, "held", pack_units, carton="CT-1", units=[goods.first, goods.second])
        plant.do(release_hold, 9, hold=hold, reason="fine")
    plant.do(pack_units, 10, carton="CT-1", units=[goods.first])
    refused(plant, "dispatch-refused", pack_units, carton="CT-2", units=[goods.first])
    (hold,) = plant.do(place_holds, 9, targets=[Carton.objects.get()], reason="wet")
    refused(plant, "held", pack_units, carton="CT-1", units=[goods.second])


def test_unpacking_is_refused_without_a_reason_or_a_carton_and_never_by_a_hold() -> None:
    goods = Goods()
    plant = goods.plant
    refused(plant, "dispatch-refused", unpack_unit, unit=goods.first, reason="x")
    carton = plant.do(pack_units, 10, carton="CT-1", units=[goods.first])
    refused(plant, "dispatch-refused", unpack_unit, unit=goods.first, reason=" ")
    plant.do(place_holds, 11, targets=[goods.first, carton], reason="a crack")
    plant.do(unpack_unit, 12, unit=goods.first, reason="held")
    assert Packing.objects.get().until == ticks(12)
    assert Unit.objects.get(pk=goods.first.pk).scrapped is None


def test_loading_and_sending_are_refused() -> None:
    goods = Goods()
    plant = goods.plant
    other = plant.do(define_customer, key="OTHER", name="Another")
    refused(plant, "key-in-use", define_customer, key="other", name="x")
    carton = plant.carton([goods.first], 10, "CT-1")
    emptied = plant.do(pack_units, 10, carton="CT-2", units=[goods.second])
    plant.do(unpack_unit, 11, unit=goods.second, reason="x")
    load = {"shipment": "SH-1", "customer": goods.customer, "cartons": [carton]}
    refused(plant, "dispatch-refused", load_shipment, **{**load, "cartons": []})
    refused(plant, "dispatch-refused", load_shipment, **{**load, "cartons": [carton, emptied]})
    for target in (carton, goods.first, goods.board):
        (hold,) = plant.do(place_holds, 12, targets=[target], reason="a crack")
        refused(plant, "held", load_shipment, **load)
        plant.do(release_hold, 12, hold=hold, reason="fine")
    shipment = plant.do(load_shipment, 13, **load)
    refused(plant, "dispatch-refused", load_shipment, **{**load, "shipment": "SH-2"})
    refused(plant, "dispatch-refused", load_shipment, **{**load, "customer": other})
    for target in (shipment, carton, goods.board):
        (hold,) = plant.do(place_holds, 14, targets=[target], reason="a crack")
        refused(plant, "held", send_shipment, shipment=shipment)
        plant.do(release_hold, 14, hold=hold, reason="fine")
    empty = Shipment.objects.create(key="SH-9", customer=other, opened=1)
    refused(plant, "dispatch-refused", send_shipment, shipment=empty)
    plant.do(send_shipment, 15, shipment=shipment)
    assert Customer.objects.count() == 2


def test_a_pass_is_voided_once_with_a_reason_and_stays_readable() -> None:
    plant = Plant()
    (board,) = plant.boards()
    visit = plant.run(board, plant.insertion, 5, 6)
    refused(plant, "correction-refused", void_pass, entry=visit, reason="")
    void = plant.do(void_pass, 9, entry=visit, reason="another board")
    visit.refresh_from_db()
    assert (visit.outcome, visit.drew, visit.superseded) == ("passed", "all", void.recorded)
    assert (void.outcome, void.drew, void.unit, void.superseded) == ("void", "none", board, None)
    refused(plant, "correction-refused", void_pass, entry=visit, reason="x")
    assert plant.do(start_pass, 12, unit=board, station=plant.insertion).drew == Pass.Drew.ALL


def test_a_hold_needs_a_reason_and_so_does_its_release_once() -> None:
    plant = Plant()
    reel = plant.reel()
    refused(plant, "hold-refused", place_holds, targets=[reel], reason=" ")
    holds = plant.do(place_holds, 5, targets=[reel, reel.lot], reason="a crack", permits=[Move.SCRAP])
    assert [(h.target_kind, h.target_key, h.permits) for h in holds] == [
        ("container", reel.key, ["scrap"]),
        ("lot", reel.lot.key, ["scrap"]),
    ]
    refused(plant, "hold-refused", release_hold, hold=holds[0], reason="")
    plant.do(release_hold, 6, hold=holds[0], reason="inspected")
    refused(plant, "hold-refused", release_hold, hold=holds[0], reason="inspected")
    assert frozenset({Move.TAKE_OFF, Move.UNPACK}) == ALWAYS_PERMITTED
