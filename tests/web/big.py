"""A product of a thousand parts and more: boards of 250 places each, drawn from two feeds, in a chassis."""

from __future__ import annotations

from tests.factories import Plant, make_assembly
from trace.engineering.models import Part
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_children
from trace.floor.operations.orders import release_order


def build_big(plant: Plant, *, boards: int = 4, places: int = 250) -> Unit:
    """A chassis with so many boards of so many places, half of them resistors, half capacitors."""
    names = {f"R{n}": plant.resistor for n in range(1, places // 2 + 1)}
    names |= {f"C{n}": plant.capacitor for n in range(1, places - places // 2 + 1)}
    board = make_assembly(f"BIG-{places}", places=names, route={10: [plant.insertion]})
    chassis = make_assembly(
        f"CHASSIS-{boards}-{places}",
        places={f"A{n}": board for n in range(1, boards + 1)},
        route={10: [plant.final]},
        kind=Part.Kind.PRODUCT,
    )
    feeds = {name: plant.slot_r if name.startswith("R") else plant.slot_c for name in names}
    plant.do(start_setup, 1, key=f"SU-{places}-{boards}", station=plant.insertion, assembly=board, feeds=feeds)
    plant.do(load_feed, 2, feed=plant.slot_r, container=plant.reel())
    plant.do(load_feed, 2, feed=plant.slot_c, container=plant.reel(part=plant.capacitor))
    made = _units(plant, board, boards)
    for minute, one in enumerate(made, 5):
        plant.run(one, plant.insertion, minute, minute + 0.5)
    (top,) = _units(plant, chassis, 1)
    plant.do(fit_children, 60, fits=[(top, f"A{n}", one) for n, one in enumerate(made, 1)])
    return top


def _units(plant: Plant, part: Part, number: int) -> list[Unit]:
    serials = [f"{part.key}-N{n}" for n in range(1, number + 1)]
    order = plant.do(release_order, 3, key=f"WO-{part.key}", part=part, site=plant.site, serials=serials)
    return list(order.units.select_related("part", "order").order_by("pk"))
