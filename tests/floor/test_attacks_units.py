"""Units that must not leave, must not be worked on, or can't have been there: attacks that once went through."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly, moment, ticks
from tests.refusals import refused
from trace.core.clock import to_ticks
from trace.floor.models import Carton, Fitting, Packing, Unit
from trace.floor.operations.cartons import open_carton
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.dispatch import define_customer, load_shipment, pack_units, send_shipment, unpack_unit
from trace.floor.operations.fittings import fit_child, fit_children, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.holds.operations import place_holds, release_hold
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db


class Nest:
    """A crate with a product with a board in it, all finished; nothing is packed yet."""

    def __init__(self) -> None:
        self.plant = plant = Plant()
        part = make_assembly("CRATE", places={"P1": plant.product}, route={10: [plant.final]})
        (self.board,), (self.product,), (self.crate,) = plant.boards(), plant.products(), plant.units(part)
        plant.do(fit_child, 5, unit=self.product, designator="M1", child=plant.finish(self.board, 1))
        plant.do(fit_child, 9, unit=self.crate, designator="P1", child=plant.finish(self.product, 6))
        plant.finish(self.crate, 10)
        self.customer = plant.do(define_customer, key="CUST", name="A customer")
        self.reel = plant.reel("CB-1")

    def pack(self, minute: float = 20) -> Carton:
        return self.plant.carton([self.crate], minute, "CT-1")

    def damage(self, what: str) -> None:
        """Something goes wrong with the board behind the back of the rules of today."""
        if what == "scrapped":
            Unit.objects.filter(pk=self.board.pk).update(scrapped=ticks(15))
        elif what == "due":
            self.plant.do(void_pass, 15, entry=self.board.passes.last(), reason="another board")
        else:
            Fitting.objects.filter(child=self.board).update(until=ticks(15))


@pytest.mark.parametrize("what", ["scrapped", "due", "missing"])
def test_nothing_unsound_leaves_however_deep_it_sits(what: str) -> None:
    nest = Nest()
    plant, name = nest.plant, (nest.product if what == "missing" else nest.board).key
    carton = nest.pack()
    load = {"shipment": "SH-1", "customer": nest.customer, "cartons": [carton]}
    shipment = plant.do(load_shipment, 21, **load)
    nest.damage(what)
    assert name in refused(plant, "dispatch-refused", send_shipment, shipment=shipment).message
    carton.consignments.all().delete()
    assert name in refused(plant, "dispatch-refused", load_shipment, **load).message
    Packing.objects.all().delete()
    assert name in refused(plant, "dispatch-refused", pack_units, carton="CT-2", units=[nest.crate]).message
    plant.do(remove_part, 30, unit=nest.crate, designator="P1", reason="x")
    fit = {"unit": nest.crate, "designator": "P1", "child": nest.product}
    assert name in refused(plant, "fitting-refused", fit_child, **fit).message


def test_a_unit_inside_a_station_does_not_leave_inside_another() -> None:
    nest = Nest()
    entry = nest.board.passes.last()
    type(entry).objects.filter(pk=entry.pk).update(inside=True, outcome="")
    refusal = refused(nest.plant, "dispatch-refused", pack_units, carton="CT-1", units=[nest.crate])
    assert refusal.message == f"{nest.board.key}, inside {nest.crate.key}, is still inside TEST."


def test_packing_and_loading_ask_as_often_for_many_as_for_few() -> None:
    plant = Plant()
    customer = plant.do(define_customer, key="CUST", name="A customer")
    asked = []
    for number in (2, 6):
        products, boards = plant.products(number), [plant.finish(board) for board in plant.boards(number)]
        plant.do(fit_children, 5, fits=list(zip(products, ["M1"] * number, boards, strict=True)))
        for product in products:
            plant.finish(product, 6)
        with CaptureQueriesContext(connection) as queries:
            carton = plant.carton(products, 10, f"CT-{number}")
            plant.do(load_shipment, 11, shipment=f"SH-{number}", customer=customer, cartons=[carton])
        asked.append(len(queries))
    assert asked[0] == asked[1]


def test_what_is_packed_or_shipped_is_neither_scrapped_nor_worked_on_however_deep() -> None:
    nest = Nest()
    plant = nest.plant
    (spare,) = plant.boards()
    plant.finish(spare, 1)

    def attacks(*words: str) -> None:
        for unit in (nest.crate, nest.product, nest.board):
            refusal = refused(plant, "order-refused", scrap_unit, unit=unit, reason="x")
            assert all(word in refusal.message for word in [nest.crate.key, *words])
        for operation, arguments in (
            (remove_part, {"unit": nest.product, "designator": "M1", "reason": "x"}),
            (remove_part, {"unit": nest.board, "designator": "R1", "reason": "x"}),
            (fit_part, {"unit": nest.board, "designator": "R1", "container": nest.reel, "reason": "x"}),
            (fit_child, {"unit": nest.product, "designator": "M1", "child": spare}),
        ):
            refusal = refused(plant, "fitting-refused", operation, **arguments)
            assert all(word in refusal.message for word in [nest.crate.key, *words])

    carton = nest.pack()
    attacks("packed in carton CT-1")
    shipment = plant.do(load_shipment, 21, shipment="SH-1", customer=nest.customer, cartons=[carton])
    plant.do(send_shipment, 22, shipment=shipment)
    attacks("on record as shipped")


def test_what_was_taken_out_of_its_carton_may_be_scrapped() -> None:
    nest = Nest()
    nest.plant.do(open_carton, 21, carton=nest.pack(), reason="x")
    nest.plant.do(unpack_unit, 21, unit=nest.crate, reason="x")
    assert nest.plant.do(scrap_unit, 22, unit=nest.board, reason="x").scrapped == ticks(22)


def test_a_child_is_not_fitted_before_it_was_made_scanned_or_taken_out() -> None:
    plant = Plant()
    (board,), (first, second) = plant.boards(minute=1), plant.products(2)
    plant.finish(board, 2)  # out of its test at 3.5
    fit = {"unit": second, "designator": "M1", "child": board}
    for minute in (0.5, 3.4):
        refused(plant, "fitting-refused", fit_child, minute, **fit)
    plant.do(fit_child, 5, unit=first, designator="M1", child=board)
    plant.do(remove_part, 9, unit=first, designator="M1", reason="x")
    refused(plant, "fitting-refused", fit_child, 8, **fit)
    plant.do(fit_child, 9, **fit)


def test_a_unit_is_not_packed_before_its_last_scan_or_unpacking() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.finish(board, 2)
    refused(plant, "dispatch-refused", pack_units, 3.4, carton="CT-1", units=[board])
    plant.do(pack_units, 5, carton="CT-1", units=[board])
    plant.do(unpack_unit, 9, unit=board, reason="x")
    refused(plant, "dispatch-refused", pack_units, 8, carton="CT-1", units=[board])
    plant.do(pack_units, 9, carton="CT-1", units=[board])


def test_a_hold_above_or_below_stops_work_on_a_unit() -> None:
    nest = Nest()
    plant, product = nest.plant, nest.product
    (spare,) = plant.boards()
    plant.finish(spare, 1)
    for target in (nest.crate, nest.board):
        (hold,) = plant.do(place_holds, 15, targets=[target], reason="a crack")
        for operation, arguments in (
            (fit_part, {"unit": product, "designator": "F1", "container": plant.reel(part=plant.fuse), "reason": "x"}),
            (remove_part, {"unit": product, "designator": "F1", "reason": "x"}),
            (fit_child, {"unit": product, "designator": "M1", "child": spare}),
            (scrap_unit, {"unit": product, "reason": "x"}),
        ):
            assert target.key in refused(plant, "held", operation, **arguments).message
        plant.do(release_hold, 16, hold=hold, reason="fine")


def test_a_container_may_be_fitted_from_before_it_left() -> None:
    plant = Plant()
    (board,), reel = plant.boards(), plant.reel("CB-1")
    plant.do(discard_container, 30, container=reel, reason="empty")
    fit = {"unit": board, "designator": "R1", "container": reel, "reason": "x"}
    refused(plant, "fitting-refused", fit_part, 30, **fit)
    assert plant.do(fit_part, 29, **fit).since == to_ticks(moment() + timedelta(minutes=29))


@pytest.mark.parametrize("text", ["x" * 301, "a\x00b", "a\ud800b"], ids=["long", "nul", "surrogate"])
def test_odd_reasons_are_refused_in_a_sentence(text: str) -> None:
    plant = Plant()
    (board,), reel = plant.boards(), plant.reel("CB-1")
    for operation, arguments in (
        (fit_part, {"unit": board, "designator": "R1", "container": reel}),
        (remove_part, {"unit": board, "designator": "R1"}),
        (scrap_unit, {"unit": board}),
        (unpack_unit, {"unit": board}),
        (place_holds, {"targets": [board]}),
    ):
        assert "The reason" in refused(plant, "bad-text", operation, **arguments, reason=text).message
    fit = {"unit": board, "container": reel, "reason": "x"}
    refused(plant, "bad-text", fit_part, **fit, designator=text)


def test_a_hold_names_its_targets_once_each_and_at_least_one() -> None:
    plant = Plant()
    reel = plant.reel()
    refused(plant, "hold-refused", place_holds, targets=[], reason="a crack")
    assert len(plant.do(place_holds, 5, targets=[reel, reel.lot, reel], reason="a crack")) == 2


def test_a_unit_inside_another_is_inside_a_station_no_more() -> None:
    nest = Nest()
    refused(nest.plant, "stopped", start_pass, unit=nest.board, station=nest.plant.insertion)
