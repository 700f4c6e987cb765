"""Repairs: parts replaced from a bench bin or a container, parts salvaged."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

from trace.core.errors import Refusal
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import PLACES, ROUTES
from trace.demo.simulator.physics import Piece, SimUnit
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import choose_box, load
from trace.demo.simulator.work import free, settle
from trace.engineering.models import Step
from trace.floor.models import Repair
from trace.floor.operations.faults import diagnose_fault, record_fault, record_repair
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.orders import scrap_unit


def _filled(plant: SimPlant, chance: random.Random) -> tuple[SimUnit, str]:
    """A board and one of its places that has a component."""
    boards = [u for u in free(plant, "BOARD") if u.places]
    unit = plant.pick(chance, boards)
    settle(plant, chance, unit)
    return unit, plant.pick(chance, [d for d, pieces in sorted(unit.places.items()) if d != "S1" and pieces])


def mend(plant: SimPlant, chance: random.Random, unit: SimUnit, designator: str, **replaced: Any) -> None:
    """A unit at the repair station: its fault, the cause, what is replaced; perhaps it goes back to a step that it
    passed, and draws anew there. Where the repair is refused, nothing is done to it."""
    bench = plant.layout.bench
    fault = plant.tell(
        record_fault,
        unit=plant.unit(unit),
        fault_code=plant.layout.fault_code,
        designator=designator,
        station=bench,
    )
    plant.wait(chance)
    plant.tell(diagnose_fault, fault=fault, cause=plant.layout.cause_code)
    plant.wait(chance)
    told: dict[str, Any] = {"unit": plant.unit(unit), "faults": [fault], "station": bench}
    told["minutes"] = Decimal(chance.randint(1, 20))
    passed = [step for step in ROUTES[unit.kind] if step <= unit.step]
    again = plant.pick(chance, passed) if passed and chance.random() < 0.4 else None
    returns = Step.objects.get(part=plant.layout.parts[unit.kind], number=again) if again else None
    done = {"action": Repair.Action.REPLACED, "designator": designator, "returns": returns, **replaced}
    try:
        plant.tell(record_repair, **told, **done)
    except Refusal:
        plant.tell(record_repair, **told, action=Repair.Action.NOT_FOUND)
        raise
    if again:
        unit.step = max((step for step in ROUTES[unit.kind] if step < again), default=0)


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
    does="a cracked part is replaced by one from a container, at the bench or the repair station; the old one may be "
    "kept, and the board go through some stations again",
    recorded="the place and the container; at the repair station the fault, its cause, the repair, and the bag",
)
def replaced(plant: SimPlant, chance: random.Random) -> None:
    unit, designator = _filled(plant, chance)
    parts = ("RES", "RES2") if designator in ("R1", "R2", "T1") else ("CAP",)
    box = choose_box(plant, chance, *parts)
    out, container = unit.places[designator], plant.container(box.key)
    keep = plant.new_key("KEPT") if chance.random() < 0.6 else ""
    if chance.random() < 0.7:
        mend(plant, chance, unit, designator, container=container, keep=keep)
        if keep:
            plant.new_box(plant.container(keep), out, kinds={"replaced"})
    else:
        plant.tell(fit_part, unit=plant.unit(unit), designator=designator, container=container, reason="cracked")
    piece = next(piece for piece in box.pieces if piece)
    box.pieces.remove(piece)
    piece.kinds.add("replaced")
    unit.places[designator] = [piece]
    unit.kinds.add("replaced")


@kind(
    "salvaged",
    does="a part is taken out of a board, or parts of one that is scrapped, kept in a bag, and used again in another "
    "or on a feed",
    recorded="the place, the bag, and where it goes",
)
def salvaged(plant: SimPlant, chance: random.Random) -> None:
    unit, designator = _filled(plant, chance)
    label = plant.new_key("KEPT")
    if chance.random() < 0.5:
        part = PLACES[unit.kind][designator]
        alike = [d for d, pieces in sorted(unit.places.items()) if pieces and PLACES[unit.kind][d] == part]
        taken = chance.sample(alike, chance.randint(1, len(alike)))
        plant.tell(scrap_unit, unit=plant.unit(unit), reason="burnt", salvage=dict.fromkeys(taken, label))
        unit.gone = "scrapped"
    else:
        taken = [designator]
        plant.tell(remove_part, unit=plant.unit(unit), designator=designator, reason="used again", salvage=label)
    pieces: list[Piece] = [piece for place in taken for piece in unit.places.pop(place)]
    box = plant.new_box(plant.container(label), pieces, kinds={"salvaged"})
    plant.wait(chance)
    others = [u for u in free(plant, "BOARD") if designator in u.places and u is not unit and not u.todo]
    if others and designator in taken and chance.random() < 0.6:
        other, container = plant.pick(chance, others), plant.container(label)
        if chance.random() < 0.5:
            mend(plant, chance, other, designator, container=container)
        else:
            plant.tell(fit_part, unit=plant.unit(other), designator=designator, container=container, reason="reused")
        piece = plant.pick(chance, [piece for piece in box.pieces if piece])
        box.pieces.remove(piece)
        other.places[designator] = [piece]
