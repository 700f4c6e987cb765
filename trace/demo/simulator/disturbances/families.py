"""Children and parents."""

from __future__ import annotations

import random
from functools import partial
from typing import Any

from trace.demo.simulator.disturbances.repairs import mend
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.families import fit, ready_children
from trace.demo.simulator.physics import Cause, SimUnit
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.work import finished, free, release, settle, visit
from trace.floor.operations.findings import find_child, find_empty, find_loose
from trace.floor.operations.fittings import remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.swaps import swap_child

Home = tuple[SimUnit, str, SimUnit]
"""(parent, designator, child)."""


def _build_board(plant: SimPlant, chance: random.Random) -> SimUnit:
    """A new board through all of its steps."""
    (board,) = release(plant, "BOARD", 1)
    while not finished(board):
        plant.wait(chance)
        visit(plant, chance, board, outcome="passed")
    return board


def _homes(plant: SimPlant, chance: random.Random) -> list[Home]:
    """Every child in a parent that can be opened; one is built and fitted if there is none."""
    if not any(unit.children for unit in free(plant)):
        made, designator = chance.choice([("MODULE", "M1"), ("PRODUCT", "M2")])
        (parent,) = release(plant, made, 1)
        fit(plant, chance, parent, designator, _build_board(plant, chance))
    return [(parent, d, child) for parent in free(plant) for d, child in sorted(parent.children.items())]


@kind(
    "child moved",
    does="a board or module is taken out of its parent, or kept when that is scrapped, and goes into another; a spare "
    "one may take its place",
    recorded="both scans, as a removal, a swap, a repair or a scrapping",
)
def child_moved(plant: SimPlant, chance: random.Random) -> None:
    parent, designator, child = plant.pick(chance, _homes(plant, chance))
    if parent.hidden(plant.now):
        look_inside(plant, chance, parent, designator)  # who takes it out sees by its label which it is
    _take_away(plant, chance, parent, designator)
    for unit in (parent, child):
        unit.kinds.add("child moved")
    plant.wait(chance)
    others = [p for p in free(plant, parent.kind) if designator not in p.children and p is not parent]
    other = plant.pick(chance, others or release(plant, parent.kind, 1))
    fit(plant, chance, other, designator, child)
    other.kinds.add("child moved")


def _take_away(plant: SimPlant, chance: random.Random, parent: SimUnit, designator: str) -> None:
    """A child leaves its parent with a record."""
    wanted = parent.children[designator].kind
    spare = [u for u in ready_children(plant, wanted) if not u.left or u.left.revealed]
    if wanted == "BOARD" and not spare and chance.random() < 0.5:
        spare = [_build_board(plant, chance)]
    how = chance.choice(["remove", "scrap", *(["swap", "repair"] if spare else [])])
    place: dict[str, Any] = {"unit": plant.unit(parent), "designator": designator}
    settle(plant, chance, parent)
    if how in ("swap", "repair"):
        other = plant.pick(chance, spare)
        settle(plant, chance, other)
        if how == "swap":
            plant.tell(swap_child, **place, child=plant.unit(other), reason="noisy", goes_to="BENCH")
        else:
            mend(plant, chance, parent, designator, child=plant.unit(other))
        parent.take_out(designator)
        parent.put_in(designator, other)
        other.kinds.add("child moved")
    elif how == "scrap":
        plant.tell(scrap_unit, unit=place["unit"], reason="cracked", salvage={designator: ""})
        parent.take_out(designator)
        parent.gone = "scrapped"
    else:
        plant.tell(remove_part, **place, reason="noisy")
        parent.take_out(designator)


@kind(
    "child found elsewhere",
    does="a board or module is taken out of its parent and put in another, which may have had one, or aside; "
    "another may take its place",
    recorded="nothing, until one of them is opened, or what lies about is scanned; or never",
)
def found_elsewhere(plant: SimPlant, chance: random.Random) -> None:
    as_told = [home for home in _homes(plant, chance) if not home[0].hidden(plant.now)]
    parent, designator, child = plant.pick(chance, as_told)
    others = [p for p in free(plant, parent.kind) if p is not parent and not p.hidden(plant.now)]
    parents = [parent]
    if chance.random() < 0.7:
        parents.append(plant.pick(chance, others or release(plant, parent.kind, 1)))
    spare = [unit for unit in ready_children(plant, child.kind) if not unit.left or unit.left.revealed]
    plant.say(f"untold: {child.key} is taken out of {parent.key}")
    _take_out(plant, parent, designator)
    moved, instead = [child], plant.pick(chance, spare) if spare and chance.random() < 0.4 else None
    if len(parents) == 2:
        if designator in parents[1].children:
            moved.append(_take_out(plant, parents[1], designator))
            instead = moved[1] if chance.random() < 0.8 else instead
        _put_in(plant, parents[1], designator, child)
    if instead:
        _put_in(plant, parent, designator, instead)
    looks = [partial(look_inside, plant, chance, unit, designator) for unit in parents]
    looks += [partial(_look_about, plant, chance, unit) for unit in moved if not unit.parent]
    plant.pending += chance.sample(looks, chance.randint(1 if chance.random() < 0.9 else 0, len(looks)))
    for unit in (*parents, *moved, *([instead] if instead else [])):
        unit.kinds.add("child found elsewhere")


def _take_out(plant: SimPlant, parent: SimUnit, designator: str) -> SimUnit:
    child = parent.take_out(designator)
    child.left = _untold(plant, parent, designator)
    return child


def _put_in(plant: SimPlant, parent: SimUnit, designator: str, child: SimUnit) -> None:
    _untold(plant, parent, designator)
    parent.put_in(designator, child)
    plant.say(f"untold: {child.key} is put in {parent.key} at {designator}")


def _untold(plant: SimPlant, unit: SimUnit, designator: str) -> Cause:
    cause = plant.hide("child found elsewhere")
    unit.causes.setdefault(designator, []).append(cause)
    return cause


def look_inside(plant: SimPlant, chance: random.Random, parent: SimUnit, designator: str) -> None:
    """A unit is opened, and what is there is scanned. It shows what happened there, and where that child left."""
    plant.wait(chance)
    child = parent.children.get(designator)
    if child is None and not parent.hidden(plant.now):
        return
    if child is None:
        plant.tell(find_empty, unit=plant.unit(parent), designator=designator)
    else:
        plant.tell(find_child, unit=plant.unit(parent), designator=designator, child=plant.unit(child))
        _seen(child)
    for cause in parent.causes.get(designator, []):
        cause.revealed = True


def _look_about(plant: SimPlant, chance: random.Random, child: SimUnit) -> None:
    plant.wait(chance)
    if not child.parent:
        plant.tell(find_loose, child=plant.unit(child))
        _seen(child)


def _seen(child: SimUnit) -> None:
    if child.left:
        child.left.revealed = True
