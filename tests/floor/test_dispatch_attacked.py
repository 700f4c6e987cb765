"""What is packed, stacked and loaded out of order, and a hold that is to be lost on the way out."""

from __future__ import annotations

from typing import Any

import pytest

from tests.factories import ticks
from tests.floor.test_cartons import Dock
from tests.floor.troubleshooting import Trouble
from tests.refusals import refused
from trace.core.errors import Refusal
from trace.floor.models import Carton, Pallet, Shipment
from trace.floor.operations import dispatch
from trace.floor.operations.cartons import PackedContent, close_carton, open_carton
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment, unload_shipment, unpack_unit
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.pallets import stack_pallet, start_pallet, unstack_carton
from trace.holds.models import Hold
from trace.holds.operations import place_holds
from trace.holds.rules import Move

pytestmark = pytest.mark.django_db


class Loaded:
    """One carton, closed at 10; `moved` through a pallet (stacked at 20) or a shipment (loaded at 20)."""

    def __init__(self) -> None:
        self.dock = Dock()
        self.plant = self.dock.plant
        self.box: Carton = self.plant.carton(self.dock.products, 10, "CT-1")
        self.pallet: Pallet = self.plant.do(start_pallet, 10)
        self.other: Pallet = self.plant.do(start_pallet, 10)

    def load(self, minute: float, key: str = "SH-1", **what: Any) -> Shipment:
        told = {"customer": self.dock.customer, **(what or {"cartons": [self.box]})}
        shipment: Shipment = self.plant.do(load_shipment, minute, shipment=key, **told)
        return shipment

    def stack(self) -> None:
        self.plant.do(stack_pallet, 20, pallet=self.pallet, cartons=[self.box])

    def move_and_back(self, by: str) -> None:
        """There at 20, back at 30."""
        if by == "pallet":
            self.stack()
            self.plant.do(unstack_carton, 30, carton=self.box, reason="x")
        else:
            self.plant.do(unload_shipment, 30, shipment=self.load(20), cartons=[self.box], reason="x")


@pytest.fixture
def loaded() -> Loaded:
    return Loaded()


# Holds ----------------------------------------------------------------------------------------------------------------


def test_what_is_taken_out_of_a_held_carton_is_held_as_that_is(loaded: Loaded) -> None:
    plant, (first, second) = loaded.plant, loaded.dock.products
    plant.do(place_holds, 11, targets=[loaded.box], reason="wet")
    plant.do(open_carton, 12, carton=loaded.box, reason="to look")
    plant.do(unpack_unit, 13, unit=first, reason="to look")
    refusal = refused(plant, "held", pack_units, 14, carton="CT-2", units=[first])
    assert refusal.message == f"Stop. Unit {first.key} is held: Carton CT-1 is held: wet"
    assert not Hold.objects.filter(target_key=second.key).exists(), "in the carton that is held itself"


def test_what_is_taken_off_a_held_pallet_or_shipment_is_held_as_that_is(loaded: Loaded) -> None:
    plant = loaded.plant
    loaded.stack()
    plant.do(place_holds, 21, targets=[loaded.pallet], reason="it fell")
    plant.do(unstack_carton, 22, carton=loaded.box, reason="to look")
    told = {"shipment": "SH-1", "customer": loaded.dock.customer, "cartons": [loaded.box]}
    assert "it fell" in refused(plant, "held", load_shipment, 23, **told).message
    refused(plant, "held", stack_pallet, 23, pallet=loaded.other, cartons=[loaded.box])


def test_what_is_unloaded_off_a_held_shipment_is_held_as_that_is(loaded: Loaded) -> None:
    plant, shipment = loaded.plant, loaded.load(20)
    plant.do(place_holds, 21, targets=[shipment], reason="not paid")
    plant.do(unload_shipment, 22, shipment=shipment, cartons=[loaded.box], reason="to look")
    told = {"shipment": "SH-2", "customer": loaded.dock.customer, "cartons": [loaded.box]}
    assert "not paid" in refused(plant, "held", load_shipment, 23, **told).message


def test_a_hold_that_lets_it_be_shipped_stays_behind(loaded: Loaded) -> None:
    plant, first = loaded.plant, loaded.dock.products[0]
    plant.do(place_holds, 11, targets=[loaded.box], reason="a torn label", permits=[Move.SHIP, Move.PACK])
    plant.do(open_carton, 12, carton=loaded.box, reason="to look")
    plant.do(unpack_unit, 13, unit=first, reason="to look")
    plant.do(pack_units, 14, carton="CT-2", units=[first])


# Moments --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("by", ["pallet", "shipment"])
def test_a_carton_is_nowhere_else_before_it_was_taken_off(loaded: Loaded, by: str) -> None:
    loaded.move_and_back(by)
    plant, box = loaded.plant, loaded.box
    assert "was moved after" in refused(plant, "dispatch-refused", open_carton, 25, carton=box, reason="x").message
    refused(plant, "dispatch-refused", stack_pallet, 25, pallet=loaded.other, cartons=[box])
    told = {"shipment": "SH-2", "customer": loaded.dock.customer, "cartons": [box]}
    refused(plant, "dispatch-refused", load_shipment, 25, **told)
    plant.do(stack_pallet, 30, pallet=loaded.other, cartons=[box])


def test_a_pallet_is_neither_loaded_before_nor_unstacked_while_it_was_there(loaded: Loaded) -> None:
    plant = loaded.plant
    loaded.stack()
    told = {"customer": loaded.dock.customer, "pallets": [loaded.pallet]}
    refused(plant, "dispatch-refused", load_shipment, 15, shipment="SH-1", **told)
    shipment = loaded.load(25, pallets=[loaded.pallet])
    plant.do(unload_shipment, 35, shipment=shipment, pallets=[loaded.pallet], reason="x")
    refused(plant, "dispatch-refused", unstack_carton, 30, carton=loaded.box, reason="x")


@pytest.mark.parametrize("deed", ["part", "inner part", "repair"])
def test_a_unit_is_packed_as_it_is_and_not_before_it_was_so(deed: str) -> None:
    """Else what is on record as shipped would not be what left."""
    dock = Dock(1)
    plant, (product,), (board,) = dock.plant, dock.products, dock.boards
    if deed == "repair":
        trouble = Trouble(plant)
        trouble.mend(trouble.find(product), 30)
    else:
        unit, designator, part = (product, "F1", plant.fuse) if deed == "part" else (board, "R1", plant.resistor)
        told = {"unit": unit, "designator": designator, "container": plant.reel("BAG", part), "reason": "loose"}
        plant.do(fit_part, 30, **told)
    refusal = refused(plant, "dispatch-refused", pack_units, 25, carton="CT-1", units=[product])
    assert refusal.message == f"{product.key} was worked on after that moment."
    plant.do(pack_units, 30, carton="CT-1", units=[product])


# Contents -------------------------------------------------------------------------------------------------------------


def test_too_many_are_not_counted_away() -> None:
    dock = Dock(1, rule=True)
    plant = dock.plant
    box = plant.do(pack_units, 10, carton="CT-1", units=dock.products)
    contents = [PackedContent(dock.manual, 3), PackedContent(dock.manual, -1)]
    refused(plant, "contents-refused", close_carton, carton=box, contents=contents, short="one")


def test_nothing_leaves_that_was_loaded_in_place_of_something_else_meanwhile(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While sending waits for the carton that was read, that is unloaded and another loaded: as many, not the same."""
    shipment = loaded.load(20)
    consignment, lock = shipment.consignments.get(), dispatch.lock_cartons
    stranger = Carton.objects.create(key="CT-9", made=ticks(1))

    def meanwhile(ids: Any) -> list[Carton]:
        locked = lock(ids)
        type(consignment).objects.filter(pk=consignment.pk).update(carton=stranger)
        return locked

    monkeypatch.setattr(dispatch, "lock_cartons", meanwhile)
    with pytest.raises(Refusal, match="Somebody is still loading"):
        loaded.plant.do(send_shipment, 40, shipment=shipment)
