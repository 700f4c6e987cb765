"""Cartons closed and opened again, pallets, shipments loaded and unloaded: what is done, and what is refused."""

from __future__ import annotations

import pytest
from django.db import connection  # noqa: F401  # the conditions below ask it

from tests.factories import Plant, make_part, ticks
from tests.racing import race
from tests.refusals import refused
from trace.engineering.models import Part
from trace.engineering.operations import PackingRow, set_packing
from trace.floor.models import Carton, Closing, Consignment, Pallet, Shipment, Stacking, Unit
from trace.floor.operations.cartons import PackedContent, close_carton, open_carton, start_carton
from trace.floor.operations.dispatch import (
    define_customer,
    load_shipment,
    open_shipment,
    pack_units,
    send_shipment,
    unload_shipment,
    unpack_unit,
)
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.pallets import stack_pallet, start_pallet, unstack_carton
from trace.genealogy.whereabouts import find_whereabouts
from trace.holds.operations import place_holds, release_hold

pytestmark = pytest.mark.django_db
on_postgresql = pytest.mark.skipif(
    "connection.vendor != 'postgresql'", reason="SQLite has one writer at a time; CI runs it on PostgreSQL"
)


class Dock:
    """Finished products, a packing rule for them, a customer."""

    def __init__(self, products: int = 2, *, rule: bool = False) -> None:
        self.plant = plant = Plant()
        self.manual = make_part("MANUAL", kind=Part.Kind.PACKAGING)
        self.boards = [plant.finish(board, 1) for board in plant.boards(products)]
        self.products = plant.products(products)
        for product, board in zip(self.products, self.boards, strict=True):
            plant.do(fit_child, 5, unit=product, designator="M1", child=board)
            plant.finish(product, 6)
        self.customer = plant.do(define_customer, key="CUST", name="A customer")
        if rule:
            self.rule(PackingRow(plant.product, 2), PackingRow(self.manual, 2))

    def rule(self, *rows: PackingRow) -> None:
        self.plant.do(set_packing, 7, product=self.plant.product, rows=rows)

    def where(self, unit: Unit, minute: float) -> str:
        return str(find_whereabouts([unit.pk], ticks(minute))[unit.pk])


def test_a_carton_is_closed_with_what_belongs_in_it_and_no_more() -> None:
    dock = Dock(3, rule=True)
    plant, (first, second, third) = dock.plant, dock.products
    spare = plant.finish(plant.boards(1)[0], 1)
    box = plant.do(start_carton, 9)
    assert box.key == "CARTON-00001"
    refused(plant, "dispatch-refused", close_carton, carton=box)
    plant.do(pack_units, 10, carton=box.key, units=[first])
    assert (
        "does not go in with" in refused(plant, "dispatch-refused", pack_units, carton=box.key, units=[spare]).message
    )
    both = [PackedContent(dock.manual, 2)]
    assert "1 of 2 units" in refused(plant, "contents-refused", close_carton, carton=box, contents=both).message
    plant.do(pack_units, 11, carton=box.key, units=[second])
    full = refused(plant, "dispatch-refused", pack_units, carton=box.key, units=[third])
    assert full.message == "Carton CARTON-00001 is full: it takes 2 of PRODUCT, and that would be 3."
    for contents, said in (
        ([], "2 of MANUAL, Manual, are missing."),
        ([PackedContent(dock.manual, 1)], "1 of MANUAL, Manual, is missing."),
        ([PackedContent(dock.manual, 3)], "1 of MANUAL, Manual, is too many."),
        ([*both, PackedContent(plant.fuse, 1)], "FUSE, Fuse, is not counted in with PRODUCT."),
        ([*both, PackedContent(plant.product, 2)], "PRODUCT, Product, is not counted in with PRODUCT."),
    ):
        assert refused(plant, "contents-refused", close_carton, carton=box, contents=contents).message == said
    refused(plant, "dispatch-refused", close_carton, 10.5, carton=box, contents=both)
    plant.do(close_carton, 12, carton=box, contents=both, short="needless, it is full")
    closing = Closing.objects.get()
    assert (closing.since, closing.contents, closing.short, closing.by) == (ticks(12), [["MANUAL", 2]], "", plant.ann)
    refused(plant, "dispatch-refused", close_carton, carton=box, contents=both)
    refused(plant, "dispatch-refused", pack_units, carton=box.key, units=[third])
    assert "is closed" in refused(plant, "dispatch-refused", unpack_unit, unit=first, reason="x").message


def test_what_is_tracked_by_serial_belongs_in_it_by_its_scan() -> None:
    """A spare board goes with each product: it is counted by its serial, not by a tick."""
    dock = Dock()
    plant, spare = dock.plant, dock.plant.finish(dock.plant.boards(1)[0], 1)
    dock.rule(PackingRow(plant.product, 1), PackingRow(plant.board, 1))
    box = plant.do(pack_units, 10, carton="CT-1", units=[spare])
    plant.do(pack_units, 10, carton="CT-1", units=[dock.products[0]])
    told = [PackedContent(plant.board, 1)]
    refused(plant, "contents-refused", close_carton, carton=box, contents=told)
    plant.do(unpack_unit, 11, unit=spare, reason="wrong one")
    assert "1 of BOARD, Board, is missing." in refused(plant, "contents-refused", close_carton, carton=box).message
    plant.do(pack_units, 12, carton="CT-1", units=[spare])
    plant.do(close_carton, 13, carton=box)


def test_a_carton_that_is_not_full_says_why_and_is_opened_again_with_a_record() -> None:
    dock = Dock(rule=True)
    plant = dock.plant
    box = plant.do(pack_units, 10, carton="CT-1", units=[dock.products[0]])
    refused(plant, "dispatch-refused", open_carton, carton=box, reason="x")
    contents = [PackedContent(dock.manual, 2)]
    plant.do(close_carton, 11, carton=box, contents=contents, short="the last of the order")
    refused(plant, "dispatch-refused", open_carton, carton=box, reason=" ")
    refused(plant, "dispatch-refused", open_carton, 10, carton=box, reason="early")
    (hold,) = plant.do(place_holds, 12, targets=[box], reason="wet")
    plant.do(open_carton, 13, carton=box, reason="wet")
    closing = Closing.objects.get()
    assert (closing.until, closing.opened_by, closing.reason) == (ticks(13), plant.ann, "wet")
    assert closing.short == "the last of the order"
    refused(plant, "held", close_carton, carton=box, contents=contents, short="x")
    plant.do(release_hold, 14, hold=hold, reason="dried")
    refused(plant, "dispatch-refused", pack_units, 12.5, carton="CT-1", units=[dock.products[1]])
    plant.do(pack_units, 15, carton="CT-1", units=[dock.products[1]])
    plant.do(close_carton, 16, carton=box, contents=contents)
    assert Closing.objects.filter(until=None).count() == 1


def test_a_packing_rule_names_the_product_and_each_part_once() -> None:
    dock = Dock()
    plant = dock.plant
    for rows in (
        [PackingRow(dock.manual, 1)],
        [PackingRow(plant.product, 1), PackingRow(dock.manual, 1), PackingRow(dock.manual, 2)],
        [PackingRow(plant.product, 0)],
        [PackingRow(plant.product, -1)],
    ):
        refused(plant, "packing-rule-refused", set_packing, product=plant.product, rows=rows)
    refused(plant, "packing-rule-refused", set_packing, product=plant.fuse, rows=[PackingRow(plant.fuse, 1)])
    dock.rule(PackingRow(plant.product, 1))
    dock.rule()
    assert not plant.product.packing_lines.exists()


def test_only_what_is_closed_is_stacked_and_loaded_and_what_is_there_stays_as_it_is() -> None:
    dock = Dock(3)
    plant, (first, second, third) = dock.plant, dock.products
    one, two = plant.carton([first], 10, "CT-1"), plant.do(pack_units, 10, carton="CT-2", units=[second])
    alone = plant.carton([third], 10, "CT-3")
    pallet, other = plant.do(start_pallet, 10, key="PAL-1"), plant.do(start_pallet, 10)
    assert other.key == "PALLET-00002"
    shipment = plant.do(open_shipment, 10, key="SH-1", customer=dock.customer)
    load = {"shipment": "SH-1", "customer": dock.customer}
    not_closed = refused(plant, "dispatch-refused", stack_pallet, pallet=pallet, cartons=[one, two])
    assert not_closed.message == "Carton CT-2 is not closed."
    assert "is not closed" in refused(plant, "dispatch-refused", load_shipment, cartons=[two], **load).message
    refused(plant, "dispatch-refused", stack_pallet, pallet=pallet, cartons=[])
    refused(plant, "dispatch-refused", stack_pallet, 9, pallet=pallet, cartons=[one])
    refused(plant, "dispatch-refused", load_shipment, pallets=[pallet], **load)
    plant.do(close_carton, 11, carton=two)
    plant.do(stack_pallet, 12, pallet=pallet, cartons=[one, two])
    assert dock.where(first, 12) == "packed in carton CT-1 on pallet PAL-1"
    refused(plant, "dispatch-refused", stack_pallet, pallet=other, cartons=[one])
    refused(plant, "dispatch-refused", open_carton, carton=one, reason="x")
    assert "Load the pallet" in refused(plant, "dispatch-refused", load_shipment, cartons=[one], **load).action
    plant.do(load_shipment, 13, pallets=[pallet], cartons=[alone], **load)
    assert dock.where(first, 13) == "packed in carton CT-1 on pallet PAL-1 on shipment SH-1 to A customer"
    for operation, told in (
        (stack_pallet, {"pallet": pallet, "cartons": [alone]}),
        (stack_pallet, {"pallet": other, "cartons": [alone]}),
        (unstack_carton, {"carton": one, "reason": "x"}),
        (open_carton, {"carton": alone, "reason": "x"}),
        (load_shipment, {**load, "pallets": [pallet]}),
        (unload_shipment, {"shipment": shipment, "cartons": [one], "reason": "x"}),
        (unload_shipment, {"shipment": shipment, "pallets": [pallet], "reason": " "}),
        (unload_shipment, {"shipment": shipment, "pallets": [other], "reason": "x"}),
        (unload_shipment, {"shipment": shipment, "reason": "x"}),
    ):
        refused(plant, "dispatch-refused", operation, **told)
    refused(plant, "dispatch-refused", send_shipment, 12.5, shipment=shipment)
    refused(plant, "dispatch-refused", unload_shipment, 12.5, shipment=shipment, pallets=[pallet], reason="x")
    plant.do(unload_shipment, 14, shipment=shipment, pallets=[pallet], reason="another customer’s")
    assert set(Consignment.objects.values_list("carton__key", "until")) == {
        ("CT-1", ticks(14)), ("CT-2", ticks(14)), ("CT-3", None),
    }  # fmt: skip
    refused(plant, "dispatch-refused", unstack_carton, carton=one, reason="")
    refused(plant, "dispatch-refused", unstack_carton, 11, carton=one, reason="x")
    refused(plant, "dispatch-refused", unstack_carton, carton=alone, reason="x")
    plant.do(unstack_carton, 15, carton=one, reason="crushed")
    assert dock.where(first, 15) == "packed in carton CT-1"
    plant.do(load_shipment, 16, pallets=[pallet], **load)
    plant.do(send_shipment, 17, shipment=shipment)
    assert dock.where(second, 17) == "shipped to A customer on SH-1 in carton CT-2 on pallet PAL-1"
    for operation, told in (
        (unload_shipment, {"shipment": shipment, "cartons": [alone], "reason": "x"}),
        (unstack_carton, {"carton": two, "reason": "x"}),
        (stack_pallet, {"pallet": pallet, "cartons": [one]}),
        (open_carton, {"carton": two, "reason": "x"}),
    ):
        refused(plant, "dispatch-refused", operation, **told)


def test_a_hold_stops_every_move_outward_however_deep_it_sits_and_none_inward() -> None:
    dock = Dock(1)
    plant, product = dock.plant, dock.products[0]
    box = plant.do(pack_units, 10, carton="CT-1", units=[product])
    pallet, shipment = plant.do(start_pallet, 10, key="PAL-1"), plant.do(open_shipment, 10, customer=dock.customer)
    load = {"shipment": shipment.key, "customer": dock.customer, "pallets": [pallet]}
    inside = [dock.boards[0], product, box]

    def held_at(minute: float, targets: list, operation, **told) -> None:
        for target in targets:
            (hold,) = plant.do(place_holds, minute, targets=[target], reason="a crack")
            refused(plant, "held", operation, minute, **told)
            plant.do(release_hold, minute, hold=hold, reason="fine")

    held_at(11, inside, close_carton, carton=box)
    plant.do(close_carton, 11, carton=box)
    held_at(12, [*inside, pallet], stack_pallet, pallet=pallet, cartons=[box])
    plant.do(stack_pallet, 12, pallet=pallet, cartons=[box])
    held_at(13, [*inside, pallet, shipment], load_shipment, **load)
    plant.do(load_shipment, 13, **load)
    held_at(14, [*inside, pallet, shipment], send_shipment, shipment=shipment)
    plant.do(place_holds, 15, targets=[*inside, pallet, shipment], reason="a crack")
    plant.do(unload_shipment, 16, shipment=shipment, pallets=[pallet], reason="held")
    plant.do(unstack_carton, 17, carton=box, reason="held")
    plant.do(open_carton, 18, carton=box, reason="held")
    plant.do(unpack_unit, 19, unit=product, reason="held")
    assert dock.where(product, 19).startswith("finished")


@pytest.mark.django_db(transaction=True)
@on_postgresql
def test_what_is_held_at_the_moment_it_is_sent_either_has_left_or_stays() -> None:
    """Whichever comes first: a hold that the sending did not see was placed on what had left."""
    dock = Dock(4)
    plant = dock.plant
    for number, product in enumerate(dock.products):
        box = plant.carton([product], 10)
        shipment = plant.do(load_shipment, 11, shipment=f"SH-{number}", customer=dock.customer, cartons=[box])

        def hold(shipment: Shipment = shipment, product: Unit = product) -> None:
            plant.do(place_holds, 12, targets=[product], reason="a crack")

        def send(shipment: Shipment = shipment) -> None:
            plant.do(send_shipment, 12, shipment=shipment)

        codes = race(hold, send)
        gone = Shipment.objects.get(pk=shipment.pk).departed is not None
        assert codes == ([] if gone else ["held"])


@pytest.mark.django_db(transaction=True)
@on_postgresql
def test_a_pallet_that_is_loaded_takes_all_its_cartons_or_none() -> None:
    dock = Dock(2)
    plant = dock.plant
    one, two = (plant.carton([product], 10) for product in dock.products)
    pallet = plant.do(start_pallet, 10)
    plant.do(stack_pallet, 11, pallet=pallet, cartons=[one])
    told = {"shipment": "SH-1", "customer": dock.customer, "pallets": [pallet]}
    race(
        lambda: plant.do(load_shipment, 12, **told),
        lambda: plant.do(stack_pallet, 12, pallet=pallet, cartons=[two]),
    )
    on = set(Stacking.objects.filter(until=None).values_list("carton", flat=True))
    loaded = set(Consignment.objects.filter(until=None).values_list("carton", flat=True))
    assert loaded in (on, set())
    assert Carton.objects.count() == 2 and Pallet.objects.count() == 1
