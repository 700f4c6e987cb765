"""Units that come back from customers: received, held, torn down, decided, closed, shipped again."""

from __future__ import annotations

from typing import Any

import pytest

from tests.approvals.signing import quality, sign_as
from tests.factories import Plant, ticks
from tests.floor.troubleshooting import Trouble
from tests.refusals import refused
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.decide import decide_contained
from trace.containment.operations.stop import stop_containment
from trace.containment.terms import Told
from trace.floor.models import Customer, Fitting, Packing, Return, Shipment, Unit
from trace.floor.operations.dispatch import define_customer, load_shipment, pack_units, send_shipment
from trace.floor.operations.findings import find_child, find_empty
from trace.floor.operations.fittings import fit_child, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.floor.operations.returns import close_return, receive_return, void_return
from trace.floor.returns import compare_found, find_departure
from trace.floor.shipments import list_cartons_on, list_packed
from trace.genealogy.known import as_known
from trace.genealogy.whereabouts import Place, find_whereabouts
from trace.holds.models import Hold
from trace.holds.operations import withdraw_disposition

pytestmark = pytest.mark.django_db


class Sold:
    """Two finished products with a board each, shipped to a customer at minute 15."""

    def __init__(self) -> None:
        self.trouble = Trouble()
        self.plant: Plant = self.trouble.plant
        plant = self.plant
        self.boards = [plant.finish(board, 1) for board in plant.boards(2)]
        self.products = plant.products(2)
        for product, board in zip(self.products, self.boards, strict=True):
            plant.do(fit_child, 5, unit=product, designator="M1", child=board)
            plant.finish(product, 6)
        self.customer: Customer = plant.do(define_customer, key="CUST", name="A customer")
        self.other: Customer = plant.do(define_customer, key="OTHER", name="Another customer")
        self.shipment = self.ship(self.products, 10)

    def ship(self, units: list[Unit], minute: float, customer: Customer | None = None) -> Shipment:
        carton = self.plant.carton(units, minute)
        told = {"shipment": f"SH-{minute:g}", "customer": customer or self.customer, "cartons": [carton]}
        self.plant.do(load_shipment, minute + 1, **told)
        sent: Shipment = self.plant.do(send_shipment, minute + 5, shipment=Shipment.objects.get(key=f"SH-{minute:g}"))
        return sent

    def back(self, unit: Unit, minute: float = 20, **told: Any) -> Return:
        it: Return = self.plant.do(receive_return, minute, **{"unit": unit, "complaint": "stops at times", **told})
        return it

    def where(self, unit: Unit, minute: float) -> str:
        return str(find_whereabouts([unit.pk], ticks(minute))[unit.pk])


@pytest.fixture
def sold() -> Sold:
    return Sold()


def test_a_return_takes_the_unit_out_of_its_shipment_and_holds_it(sold: Sold) -> None:
    plant, (first, second) = sold.plant, sold.products
    it = sold.back(first, reference="Q-17", fault_code=sold.trouble.drift, condition="carton torn")
    assert (it.key, it.customer, it.shipment, it.received) == ("RET-00001", sold.customer, sold.shipment, ticks(20))
    assert sold.where(first, 19).startswith("shipped to A customer")
    assert sold.where(first, 20) == sold.where(first, 99) == "returned by A customer in RET-00001"
    assert sold.where(sold.boards[0], 30) == f"fitted in {first.key}"
    assert sold.where(second, 30).startswith("shipped to A customer")
    (lines,) = [list_packed(list_cartons_on(sold.shipment))]
    assert [line.serials for line in lines] == [tuple(sorted([first.key, second.key]))]  # what left, whatever came back
    held = refused(plant, "held", pack_units, carton="CT-9", units=[first])
    assert "returned by A customer, RET-00001: stops at times" in held.message
    refused(plant, "held", remove_part, unit=first, designator="M1", reason="a look")
    refused(plant, "held", scrap_unit, unit=first, reason="broken")
    again = refused(plant, "return-refused", receive_return, unit=first, complaint="twice")
    assert "RET-00001" in again.message


def test_what_is_known_of_a_return_is_known_since_it_was_recorded(sold: Sold) -> None:
    (first, _) = sold.products
    it = sold.back(first)
    with as_known(it.recorded - 1):
        assert sold.where(first, 30).startswith("shipped to")
        assert find_whereabouts([first.pk], ticks(30))[first.pk].kind == Place.SHIPPED
    with as_known(it.recorded):
        assert sold.where(first, 30) == "returned by A customer in RET-00001"
    sold.trouble.decide(first, 21, "use as is")
    closed = sold.plant.do(close_return, 25, returned=it)
    with as_known(closed.close_recorded - 1):
        assert sold.where(first, 30) == "returned by A customer in RET-00001"
        assert Return.objects.get().disposition is None
    assert sold.where(first, 24) == "returned by A customer in RET-00001"
    assert find_whereabouts([first.pk], ticks(30))[first.pk].kind == Place.FINISHED


def test_what_is_not_received(sold: Sold) -> None:
    plant, (first, _), board = sold.plant, sold.products, sold.boards[0]
    (new,) = plant.products(1)
    for wrong, words in (
        ({"unit": first, "complaint": " "}, "complains of"),
        ({"unit": board}, f"on record in {first.key}"),
        ({"unit": new}, "was never shipped"),
    ):
        assert words in refused(plant, "return-refused", receive_return, **{"complaint": "x", **wrong}).message
    early = refused(plant, "return-refused", receive_return, 14, unit=first, complaint="x")
    assert "after that moment" in early.message
    sold.trouble.drift.retired = True
    sold.trouble.drift.save()
    refused(plant, "return-refused", receive_return, unit=first, complaint="x", fault_code=sold.trouble.drift)
    plant.do(scrap_unit, 50, unit=new, reason="fell")
    assert "scrapped" in refused(plant, "return-refused", receive_return, 55, unit=new, complaint="x").message


def test_a_child_that_came_alone_is_received_as_itself(sold: Sold) -> None:
    (first, _), board = sold.products, sold.boards[0]
    it = sold.back(board, alone=True)
    assert it.shipment == sold.shipment == find_departure(board)
    assert sold.where(board, 30) == "returned by A customer in RET-00001"
    assert sold.where(first, 30).startswith("shipped to A customer")
    standing = Fitting.objects.get(unit=first, designator="M1", until=None, superseded=None)
    assert standing.holds == Fitting.Holds.UNKNOWN
    refused(sold.plant, "held", fit_child, unit=sold.products[1], designator="M1", child=board)


def test_a_child_found_missing_comes_alone_later(sold: Sold) -> None:
    plant, (first, _), board = sold.plant, sold.products, sold.boards[0]
    sold.back(first)
    plant.do(find_empty, 22, unit=first, designator="M1")
    assert sold.where(board, 25).startswith("not known")
    it = sold.back(board, 30)
    assert (it.key, sold.where(board, 31)) == ("RET-00002", "returned by A customer in RET-00002")


def test_a_tear_down_compares_what_is_found_with_the_record(sold: Sold) -> None:
    plant, (first, second), (one, two) = sold.plant, sold.products, sold.boards
    it = sold.back(first)
    (place,) = compare_found(it)
    assert (place.designator, place.recorded, place.state, place.words) == ("M1", one, "not looked at", "")
    plant.do(find_child, 22, unit=first, designator="M1", child=two)
    (place,) = compare_found(it)
    assert (place.state, place.elsewhere) == ("differs", second)
    assert place.words == (
        f"{two.key} is in {first.key} at M1. {one.key}, on record there, is missing, and nobody knows where it is. "
        f"{two.key} was on record in {second.key}: which unit was in which of {first.key} and {second.key} is in doubt "
        "since, and so is what that carried."
    )
    other = sold.back(second, 24)
    plant.do(find_child, 26, unit=second, designator="M1", child=one)
    (place,) = compare_found(other)
    assert place.words == f"{one.key} is in {second.key} at M1. The record has a unit that is not known there."


def test_a_child_seen_where_the_record_has_it_and_an_empty_place(sold: Sold) -> None:
    plant, (first, second), _ = sold.plant, sold.products, sold.boards
    it, other = sold.back(first), sold.back(second)
    plant.do(find_child, 22, unit=first, designator="M1", child=sold.boards[0])
    plant.do(find_empty, 22, unit=second, designator="M1")
    assert [place.state for place in compare_found(it)] == ["as recorded"]
    (place,) = compare_found(other)
    assert place.state == "differs" and place.words.startswith(f"Nothing is in {second.key} at M1. ")


def test_a_repaired_return_is_shipped_again_and_may_come_back_again(sold: Sold) -> None:
    plant, trouble, (first, _) = sold.plant, sold.trouble, sold.products
    it = sold.back(first)
    refused(plant, "return-refused", close_return, returned=it)
    fault = trouble.find(first, 22, designator="M1")
    decided = trouble.decide(first, 23, "repair", approved=False)
    refused(plant, "stopped", start_pass, 24, unit=first, station=plant.final)
    assert "approved" in refused(plant, "return-refused", close_return, 24, returned=it).message

    sign_as(quality(), decided, 24)
    step = first.part.steps.get()
    trouble.mend(fault, 25, returns=step)
    refused(plant, "held", pack_units, carton="CT-9", units=[first])
    assert "not finished" in refused(plant, "return-refused", close_return, returned=it).message
    plant.run(first, plant.final, 26, 27)
    assert sold.where(first, 26.5) == "at FINAL" and sold.where(first, 28).startswith("returned")
    closed = plant.do(close_return, 28, returned=it, outcome="a bridge at M1, resoldered")
    assert (closed.disposition, closed.closed) == (decided, ticks(28))
    assert not Hold.objects.filter(released=None).exists()
    assert "was never" not in refused(plant, "return-refused", receive_return, unit=first, complaint="x").message
    sold.ship([first], 30, sold.other)
    assert sold.where(first, 40).startswith("shipped to Another customer")
    again = sold.back(first, 50)
    assert (again.key, again.customer) == ("RET-00002", sold.other)
    assert list(Packing.objects.filter(unit=first).values_list("until", flat=True)) == [ticks(20), ticks(50)]
    refused(plant, "return-refused", close_return, returned=again)  # the first one's disposition does not count here


def test_a_return_is_closed_as_it_was_decided(sold: Sold) -> None:
    plant, trouble, (first, second) = sold.plant, sold.trouble, sold.products
    it, other = sold.back(first), sold.back(second)
    trouble.decide(first, 21, "sort")
    assert "to sort" in refused(plant, "return-refused", close_return, returned=it).message
    trouble.decide(first, 22, "scrap")
    assert "to be scrapped" in refused(plant, "return-refused", close_return, returned=it).message
    plant.do(scrap_unit, 25, unit=first, reason="burnt", salvage={"M1": ""})
    plant.do(close_return, 26, returned=it)
    assert (sold.where(first, 30), sold.where(sold.boards[0], 30)[:8]) == ("scrapped", "finished")
    assert Hold.objects.filter(released=None, target_key=first.key).exists()
    refused(plant, "return-refused", close_return, returned=it)
    trouble.decide(second, 22, "use as is")
    fault = trouble.find(second, 23)
    assert "open fault" in refused(plant, "return-refused", close_return, returned=other).message
    trouble.mend(fault, 24, action="no fault found")
    decided = plant.do(close_return, 27, returned=other).disposition
    plant.do(withdraw_disposition, 28, disposition=decided, reason="decided too early")
    refused(plant, "return-refused", void_return, returned=other, reason="x")


def test_a_return_that_never_came_is_voided(sold: Sold) -> None:
    plant, (first, second) = sold.plant, sold.products
    it = sold.back(first)
    refused(plant, "return-refused", void_return, returned=it, reason=" ")
    plant.do(void_return, 25, returned=it, reason="the label beside it")
    assert sold.where(first, 30).startswith("shipped to A customer")
    assert not Hold.objects.filter(released=None).exists()
    assert len(list_packed(list_cartons_on(sold.shipment))[0].serials) == 2
    with as_known(Return.objects.get().superseded - 1):
        assert sold.where(first, 30).startswith("returned by")
    assert sold.back(first, 35).key == "RET-00002"
    other = sold.back(second)
    plant.do(find_child, 22, unit=second, designator="M1", child=sold.boards[1])
    sold.trouble.decide(second, 23)
    sold.trouble.mend(sold.trouble.find(second, 24), 25, returns=second.part.steps.get())
    plant.run(second, plant.final, 26, 27)
    assert "scanned since" in refused(plant, "return-refused", void_return, returned=other, reason="x").message


def test_what_a_containment_decided_of_it_with_others_closes_a_return(sold: Sold) -> None:
    plant, (first, second) = sold.plant, sold.products
    it, other = sold.back(first), sold.back(second)
    alarm = plant.do(open_containment, 21, problem="Fans stall.")
    for unit in (first, second):
        plant.do(add_term, 21, containment=alarm, joined="any", told=Told("unit", unit.key))
    plant.do(stop_containment, 22, containment=alarm)
    told = {"things": [first], "decision": "use as is", "reason": "ran 48 h"}
    decided = plant.do(decide_contained, 23, containment=alarm, **told)
    refused(plant, "return-refused", close_return, 24, returned=it)  # not signed
    sign_as(quality(), decided, 24)
    assert plant.do(close_return, 25, returned=it).disposition == decided
    refused(plant, "return-refused", close_return, 25, returned=other)  # not of its members
