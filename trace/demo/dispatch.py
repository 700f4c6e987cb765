"""Packing and shipping: a carton a rack, a shipment every two racks, to one distributor after the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from trace.demo import stories
from trace.demo.calendar import Act, moment
from trace.demo.lines import RACKS
from trace.demo.plant import Plant, rows
from trace.floor.models import Carton, Pallet, Shipment, Unit
from trace.floor.operations.cartons import PackedContent, close_carton, open_carton
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment
from trace.floor.operations.pallets import stack_pallet, start_pallet
from trace.floor.samples import find_unsold

RACKS_PER_SHIPMENT = 2
SPARES_RACKS = range(15, 24, 3)
SPARES_CUSTOMER = "BRECKLEY"
OPENED_RACK = 4
"""Its carton was closed without looking, and opened again."""
ON_PALLETS = "HOCHWEND"
"""The distributor that takes its cartons on pallets."""


def plan_dispatch(plant: Plant) -> Iterator[Act]:
    """Ventilators to the distributors in turn; some control boards as spares to one of them."""
    customers = list(plant.customers)
    for rack in range(RACKS):
        packed = [s for s in plant.serials("QV-180", rack) if not stories.is_gone(plant, s, 17)]
        short = "a sample stays for its test, or the rack gave no more"
        yield from _plan_carton(plant, f"CT-{rack + 1:03}", "QV-180", packed, short, 2 * rack + 17, 95)
        if rack == OPENED_RACK:
            yield from _plan_opening(plant, f"CT-{rack + 1:03}", short, 2 * rack + 17)
        block, place = divmod(rack, RACKS_PER_SHIPMENT)
        if place == RACKS_PER_SHIPMENT - 1:
            cartons = [f"CT-{n + 1:03}" for n in range(rack - place, rack + 1)]
            customer = customers[block % len(customers)]
            pallet = f"PL-{block + 1:03}" if customer == ON_PALLETS else ""
            yield from _plan_shipment(plant, f"SH-{block + 1:03}", customer, cartons, pallet, 2 * rack + 18)
    for n, first in enumerate(SPARES_RACKS, 1):
        spares = [s for rack in range(first, first + 3) for s in plant.serials("CB-180", rack)[plant.units :][:2]]
        short = "the racks gave no more"
        yield from _plan_carton(plant, f"SP-{n:03}", "CB-180", spares, short, 2 * first + 16, 20)
        yield from _plan_shipment(plant, f"SS-{n:03}", SPARES_CUSTOMER, [f"SP-{n:03}"], "", 2 * first + 17)


def _plan_carton(
    plant: Plant, carton: str, product: str, serials: Sequence[str], short: str, slot: int, minute: int
) -> Iterator[Act]:
    """Whoever is a sample stays in the laboratory."""

    def pack(at: datetime) -> None:
        units = [plant.find(Unit, serial) for serial in serials]
        kept = find_unsold(units)
        if units := [unit for unit in units if unit.pk not in kept]:
            plant.tell(pack_units, carton=carton, units=units, by=plant.operator("PK1", at), at=at)

    if serials:
        yield Act(moment(slot, minute), pack)
        yield Act(moment(slot, minute + 4), lambda at: _close(plant, carton, product, short, at))


def _close(plant: Plant, carton: str, product: str, short: str, at: datetime) -> None:
    rule = {row["part"]: int(row["quantity"]) for row in rows("packing") if row["product"] == product}
    contents = [PackedContent(plant.parts[part], number) for part, number in rule.items() if part != product]
    for box in Carton.objects.filter(key=carton):
        full = box.packings.filter(until=None).count() == rule[product]
        told: dict[str, Any] = {"contents": contents, "short": "" if full else short, "by": plant.operator("PK1", at)}
        plant.tell(close_carton, carton=box, at=at, **told)


def _plan_opening(plant: Plant, carton: str, short: str, slot: int) -> Iterator[Act]:
    def reopen(at: datetime) -> None:
        reason = "the edge protectors were counted, and one was found on the bench"
        box = plant.find(Carton, carton)
        plant.tell(open_carton, carton=box, reason=reason, by=plant.operator("PK1", at), at=at)

    yield Act(moment(slot, 104), reopen)
    yield Act(moment(slot, 106), lambda at: _close(plant, carton, "QV-180", short, at))


def _plan_shipment(
    plant: Plant, shipment: str, customer: str, cartons: list[str], pallet: str, slot: int
) -> Iterator[Act]:
    """Where all of it are samples, as in a very small plant, there is nothing to ship."""
    done: dict[str, Any] = {"by": plant.people["P31"]}

    def find_cartons() -> list[Carton]:
        return [found for key in cartons for found in Carton.objects.filter(key=key)]

    def stack(at: datetime) -> None:
        if boxes := find_cartons():
            plant.tell(start_pallet, key=pallet, at=at, **done)
            plant.tell(stack_pallet, pallet=plant.find(Pallet, pallet), cartons=boxes, at=at, **done)

    def load(at: datetime) -> None:
        if boxes := find_cartons():
            what: dict[str, Any] = {"pallets": [plant.find(Pallet, pallet)]} if pallet else {"cartons": boxes}
            told = {"shipment": shipment, "customer": plant.customers[customer], **what}
            plant.tell(load_shipment, at=at, **told, **done)

    def send(at: datetime) -> None:
        for loaded in Shipment.objects.filter(key=shipment):
            plant.tell(send_shipment, shipment=loaded, at=at, **done)

    if pallet:
        yield Act(moment(slot, 15), stack)
    yield Act(moment(slot, 30), load)
    yield Act(moment(slot, 180), send)
