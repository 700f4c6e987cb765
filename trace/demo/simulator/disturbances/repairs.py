"""Repairs: parts replaced from a bench bin or a container, parts salvaged."""

from __future__ import annotations

import random

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.physics import SimUnit
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import choose_box, load
from trace.demo.simulator.work import free, settle
from trace.floor.operations.fittings import fit_part, remove_part


def _filled(plant: SimPlant, chance: random.Random) -> tuple[SimUnit, str]:
    """A board and one of its places that has a component."""
    boards = [u for u in free(plant, "BOARD") if u.places]
    unit = plant.pick(chance, boards)
    settle(plant, chance, unit)
    return unit, plant.pick(chance, [d for d, pieces in sorted(unit.places.items()) if d != "S1" and pieces])


@kind(
    "repaired from a bin",
    does="a wrong part is replaced by one out of a bench bin or off a reel, whatever lies there then",
    recorded="the place and the feed",
)
def repaired_from_bin(plant: SimPlant, chance: random.Random) -> None:
    unit, designator = _filled(plant, chance)
    parts = {"RES"} if designator in ("R1", "R2", "T1") else {"CAP"}
    near = [key for key, place in plant.places.items() if place.part in parts and plant.on_clock(key)]
    bin_ = plant.pick(chance, near)
    place = plant.places[bin_]
    if not place.left:
        load(plant, chance, bin_)
        plant.wait(chance)
    plant.tell(fit_part, unit=plant.unit(unit), designator=designator, feed=plant.feeds[bin_], reason="wrong part")
    piece = place.draw()
    assert piece
    piece.kinds.add("repaired from a bin")
    unit.places[designator] = [piece]
    place.given.append((plant.now, unit))


@kind(
    "replaced",
    does="a cracked part is replaced by one from a container",
    recorded="the place and the container",
)
def replaced(plant: SimPlant, chance: random.Random) -> None:
    unit, designator = _filled(plant, chance)
    parts = ("RES", "RES2") if designator in ("R1", "R2", "T1") else ("CAP",)
    box = choose_box(plant, chance, *parts)
    plant.tell(
        fit_part, unit=plant.unit(unit), designator=designator, container=plant.container(box.key), reason="cracked"
    )
    piece = next(piece for piece in box.pieces if piece)
    box.pieces.remove(piece)
    piece.kinds.add("replaced")
    unit.places[designator] = [piece]


@kind(
    "salvaged",
    does="a part is taken out of a board, kept in a bag, and used again in another or on a feed",
    recorded="the place, the bag, and where it goes",
)
def salvaged(plant: SimPlant, chance: random.Random) -> None:
    unit, designator = _filled(plant, chance)
    result = plant.tell(
        remove_part,
        unit=plant.unit(unit),
        designator=designator,
        reason="used again",
        salvage=plant.new_key("KEPT"),
    )
    del result
    label = f"KEPT-{plant.numbers['KEPT']}"
    pieces = unit.places.pop(designator)
    box = plant.new_box(plant.container(label), pieces, kinds={"salvaged"})
    plant.wait(chance)
    others = [u for u in free(plant, "BOARD") if designator in u.places and u is not unit and not u.todo]
    if others and chance.random() < 0.6:
        other = plant.pick(chance, others)
        plant.tell(
            fit_part, unit=plant.unit(other), designator=designator, container=plant.container(label), reason="reused"
        )
        box.pieces = []
        other.places[designator] = list(pieces)
