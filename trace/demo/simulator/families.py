"""Children into parents, products to the customer, boards to the scrap cage."""

from __future__ import annotations

import random

from trace.demo.simulator.layout import CHILDREN
from trace.demo.simulator.physics import SimUnit
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.work import finished, free, release, settle
from trace.floor.operations.cartons import close_carton
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit


def fit(plant: SimPlant, chance: random.Random, parent: SimUnit, designator: str, child: SimUnit) -> None:
    settle(plant, chance, child)
    plant.tell(fit_child, unit=plant.unit(parent), designator=designator, child=plant.unit(child))
    parent.put_in(designator, child)


def ready_children(plant: SimPlant, kind: str) -> list[SimUnit]:
    """Finished, complete, and in nothing."""
    return [u for u in free(plant, kind) if finished(u) and complete(u)]


def complete(unit: SimUnit) -> bool:
    return all(place in unit.children for kind, place in CHILDREN if kind == unit.kind)


def assemble(plant: SimPlant, chance: random.Random) -> None:
    """A child goes into a parent that wants one."""
    wanting = [
        (parent, designator, child)
        for (kind, designator), wanted in CHILDREN.items()
        for parent in free(plant, kind)
        if designator not in parent.children and parent.gone == ""
        for child in ready_children(plant, wanted)
    ]
    if not wanting:
        raise Skip
    fit(plant, chance, *plant.pick(chance, wanting))


def order_assemblies(plant: SimPlant, chance: random.Random) -> None:
    release(plant, chance.choice(["MODULE", "PRODUCT"]), 1)


def scrap(plant: SimPlant, chance: random.Random) -> None:
    """A board goes into the scrap cage, with all that is in it."""
    unit = plant.pick(chance, [u for u in free(plant, "BOARD") if u.places])
    settle(plant, chance, unit)
    plant.tell(scrap_unit, unit=plant.unit(unit), reason="broken")
    unit.gone = "scrapped"


def ship(plant: SimPlant, chance: random.Random) -> None:
    """A finished unit is packed, and perhaps goes to the customer."""
    unit = plant.pick(chance, [u for u in free(plant, "PRODUCT") if finished(u) and complete(u)])
    settle(plant, chance, unit)
    carton = plant.tell(pack_units, carton=plant.new_key("CARTON"), units=[plant.unit(unit)])
    unit.gone = "packed"
    plant.wait(chance)
    if chance.random() < 0.7:
        plant.tell(close_carton, carton=carton)
        load = plant.tell(
            load_shipment, shipment=plant.new_key("SHIP"), customer=plant.layout.customer, cartons=[carton]
        )
        plant.tell(send_shipment, shipment=load)
        unit.gone = "shipped"
