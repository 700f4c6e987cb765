"""Children and parents."""

from __future__ import annotations

import random

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.work import assemble, fit, free, order_assemblies, release
from trace.floor.operations.fittings import remove_part


@kind(
    "child moved",
    does="a board or module is taken out of its parent and goes into another",
    recorded="both scans",
)
def child_moved(plant: SimPlant, chance: random.Random) -> None:
    if not any(unit.children for unit in free(plant)):
        order_assemblies(plant, chance)
        assemble(plant, chance)
    homes = [(p, d, c) for p in free(plant) for d, c in sorted(p.children.items())]
    parent, designator, child = plant.pick(chance, homes)
    plant.tell(remove_part, unit=plant.unit(parent), designator=designator, reason="noisy")
    del parent.children[designator]
    child.parent = None
    for unit in (parent, child):
        unit.kinds.add("child moved")
    plant.wait(chance)
    others = [p for p in free(plant, parent.kind) if designator not in p.children and p is not parent]
    other = plant.pick(chance, others or release(plant, parent.kind, 1))
    fit(plant, chance, other, designator, child)
    other.kinds.add("child moved")
