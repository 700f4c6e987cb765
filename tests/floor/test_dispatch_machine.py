"""Whatever is packed, closed, stacked, loaded, unloaded and sent, in any order: nothing is in two places, nothing is
lost, and what leaves is what was closed."""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest
from django.db import transaction
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from tests.floor.test_cartons import Dock
from trace.core.errors import Refusal
from trace.floor.models import Carton, Consignment, Packing, Pallet, Shipment, Stacking
from trace.floor.operations.cartons import close_carton, open_carton
from trace.floor.operations.dispatch import (
    load_shipment,
    open_shipment,
    pack_units,
    send_shipment,
    unload_shipment,
    unpack_unit,
)
from trace.floor.operations.pallets import stack_pallet, start_pallet, unstack_carton

pytestmark = pytest.mark.django_db
UNITS, CARTONS, PALLETS, SHIPMENTS = range(3), range(2), range(2), range(2)
some = st.sampled_from


class Loading(RuleBasedStateMachine):
    """Beside the record, in plain dictionaries: what is where by the rules of the dock."""

    dock: Dock

    def __init__(self) -> None:
        super().__init__()
        self.undo = transaction.atomic()
        self.undo.__enter__()
        self.minutes = count(20)
        self.packed: dict[int, int] = {}
        self.closed: dict[int, set[int]] = {}
        self.stacked: dict[int, int] = {}
        self.loaded: dict[int, int] = {}
        self.sent: dict[int, dict[int, set[int]]] = {}

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    def do(self, may: bool, operation: Any, **told: Any) -> bool:
        """The operation is let through, or refused, as the plain rules say."""
        try:
            with transaction.atomic():
                self.dock.plant.do(operation, next(self.minutes), **told)
        except Refusal as refusal:
            assert not may, refusal
            return False
        assert may, (operation.__name__, told)
        return True

    def box(self, number: int) -> Carton:
        return Carton.objects.get_or_create(key=f"CT-{number}", defaults={"made": 1})[0]

    def on(self, pallet: int) -> list[int]:
        return [box for box, where in self.stacked.items() if where == pallet]

    @rule(unit=some(UNITS), box=some(CARTONS))
    def pack(self, unit: int, box: int) -> None:
        may = unit not in self.packed and box not in self.closed
        if self.do(may, pack_units, carton=f"CT-{box}", units=[self.dock.products[unit]]):
            self.packed[unit] = box

    @rule(unit=some(UNITS))
    def unpack(self, unit: int) -> None:
        may = unit in self.packed and self.packed[unit] not in self.closed
        if self.do(may, unpack_unit, unit=self.dock.products[unit], reason="x"):
            del self.packed[unit]

    @rule(box=some(CARTONS))
    def close(self, box: int) -> None:
        inside = {unit for unit, where in self.packed.items() if where == box}
        if self.do(bool(inside) and box not in self.closed, close_carton, carton=self.box(box)):
            self.closed[box] = inside

    @rule(box=some(CARTONS))
    def open(self, box: int) -> None:
        may = box in self.closed and box not in self.stacked and box not in self.loaded
        if self.do(may, open_carton, carton=self.box(box), reason="x"):
            del self.closed[box]

    @rule(box=some(CARTONS), pallet=some(PALLETS))
    def stack(self, box: int, pallet: int) -> None:
        free = box in self.closed and box not in self.stacked and box not in self.loaded
        may = free and not any(one in self.loaded for one in self.on(pallet))
        told = {"pallet": Pallet.objects.get(key=f"PAL-{pallet}"), "cartons": [self.box(box)]}
        if self.do(may, stack_pallet, **told):
            self.stacked[box] = pallet

    @rule(box=some(CARTONS))
    def unstack(self, box: int) -> None:
        may = box in self.stacked and box not in self.loaded
        if self.do(may, unstack_carton, carton=self.box(box), reason="x"):
            del self.stacked[box]

    @rule(box=some(CARTONS), shipment=some(SHIPMENTS))
    def load(self, box: int, shipment: int) -> None:
        may = box in self.closed and box not in self.stacked and box not in self.loaded and shipment not in self.sent
        told = {"shipment": f"SH-{shipment}", "customer": self.dock.customer, "cartons": [self.box(box)]}
        if self.do(may, load_shipment, **told):
            self.loaded[box] = shipment

    @rule(pallet=some(PALLETS), shipment=some(SHIPMENTS))
    def load_pallet(self, pallet: int, shipment: int) -> None:
        on = self.on(pallet)
        may = bool(on) and not any(box in self.loaded for box in on) and shipment not in self.sent
        told = {"shipment": f"SH-{shipment}", "customer": self.dock.customer}
        if self.do(may, load_shipment, pallets=[Pallet.objects.get(key=f"PAL-{pallet}")], **told):
            self.loaded |= dict.fromkeys(on, shipment)

    @rule(box=some(CARTONS), shipment=some(SHIPMENTS))
    def unload(self, box: int, shipment: int) -> None:
        may = self.loaded.get(box) == shipment and box not in self.stacked and shipment not in self.sent
        told = {"shipment": Shipment.objects.get(key=f"SH-{shipment}"), "cartons": [self.box(box)], "reason": "x"}
        if self.do(may, unload_shipment, **told):
            del self.loaded[box]

    @rule(shipment=some(SHIPMENTS))
    def send(self, shipment: int) -> None:
        on = {box for box, where in self.loaded.items() if where == shipment}
        told = {"shipment": Shipment.objects.get(key=f"SH-{shipment}")}
        if self.do(bool(on) and shipment not in self.sent, send_shipment, **told):
            self.sent[shipment] = {box: set(self.closed[box]) for box in on}

    @invariant()
    def the_record_says_the_same(self) -> None:
        numbers = {unit.pk: number for number, unit in enumerate(self.dock.products)}
        packed = Packing.objects.filter(until=None).values_list("unit", "carton__key")
        assert {numbers[unit]: int(box[3:]) for unit, box in packed} == self.packed
        stacked = Stacking.objects.filter(until=None).values_list("carton__key", "pallet__key")
        assert {int(box[3:]): int(pallet[4:]) for box, pallet in stacked} == self.stacked
        loaded = list(Consignment.objects.filter(until=None).values_list("carton__key", "shipment__key"))
        assert {int(box[3:]): int(shipment[3:]) for box, shipment in loaded} == self.loaded
        assert len(packed) == len(self.packed) and len(loaded) == len(self.loaded)
        for shipment, boxes in self.sent.items():
            on = Packing.objects.filter(carton__consignments__shipment__key=f"SH-{shipment}", until=None)
            on = on.filter(carton__consignments__until=None)
            assert {numbers[unit] for unit in on.values_list("unit", flat=True)} == set().union(*boxes.values())


def test_nothing_is_in_two_places_and_what_leaves_is_what_was_closed() -> None:
    dock = Dock(len(UNITS))
    for number in PALLETS:
        dock.plant.do(start_pallet, 9, key=f"PAL-{number}")
    for number in SHIPMENTS:
        dock.plant.do(open_shipment, 9, key=f"SH-{number}", customer=dock.customer)
    machine = type("Docked", (Loading,), {"dock": dock})
    few = settings(max_examples=8, stateful_step_count=30, phases=[Phase.generate], deadline=None)
    run_state_machine_as_test(machine, settings=few)
