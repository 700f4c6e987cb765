"""Packing and shipping: a carton a rack, a shipment every two racks, to one distributor after the other."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from trace.demo import stories
from trace.demo.calendar import Act, moment
from trace.demo.lines import RACKS
from trace.demo.plant import Plant
from trace.floor.models import Carton, Shipment, Unit
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment

RACKS_PER_SHIPMENT = 2
SAMPLED_RACKS = range(3, RACKS, 8)
"""One ventilator of each of these racks stays in the laboratory for the 500-hour life test."""
SPARES_RACKS = range(15, 24, 3)
SPARES_CUSTOMER = "BRECKLEY"


def plan_dispatch(plant: Plant) -> Iterator[Act]:
    """Ventilators to the distributors in turn; some control boards as spares to one of them."""
    customers = list(plant.customers)
    for rack in range(RACKS):
        packed = [s for s in plant.serials("QV-180", rack) if not stories.is_gone(plant, s, 17)]
        yield _plan_carton(plant, f"CT-{rack + 1:03}", packed[rack in SAMPLED_RACKS :], 2 * rack + 17, 95)
        block, place = divmod(rack, RACKS_PER_SHIPMENT)
        if place == RACKS_PER_SHIPMENT - 1:
            cartons = [f"CT-{n + 1:03}" for n in range(rack - place, rack + 1)]
            customer = customers[block % len(customers)]
            yield from _plan_shipment(plant, f"SH-{block + 1:03}", customer, cartons, 2 * rack + 18)
    for n, first in enumerate(SPARES_RACKS, 1):
        spares = [s for rack in range(first, first + 3) for s in plant.serials("CB-180", rack)[plant.units :][:2]]
        yield _plan_carton(plant, f"SP-{n:03}", spares, 2 * first + 16, 20)
        yield from _plan_shipment(plant, f"SS-{n:03}", SPARES_CUSTOMER, [f"SP-{n:03}"], 2 * first + 17)


def _plan_carton(plant: Plant, carton: str, serials: list[str], slot: int, minute: int) -> Act:
    return Act(
        moment(slot, minute),
        lambda at: (
            serials
            and plant.tell(
                pack_units,
                carton=carton,
                units=[plant.find(Unit, serial) for serial in serials],
                by=plant.operator("PK1", at),
                at=at,
            )
        ),
    )


def _plan_shipment(plant: Plant, shipment: str, customer: str, cartons: list[str], slot: int) -> Iterator[Act]:
    def load(at: datetime) -> None:
        plant.tell(
            load_shipment,
            shipment=shipment,
            customer=plant.customers[customer],
            cartons=[found for key in cartons for found in Carton.objects.filter(key=key)],
            by=plant.people["P31"],
            at=at,
        )

    yield Act(moment(slot, 30), load)
    yield Act(
        moment(slot, 180),
        lambda at: plant.tell(send_shipment, shipment=plant.find(Shipment, shipment), by=plant.people["P31"], at=at),
    )
