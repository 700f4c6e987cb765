"""What is done with quantities: counts, parts scrapped, other reels; and tapes that stop, come off, or are given up."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.physics import Box
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.tapes import advance, begin_tape, clear_heads, dismount, mounted_tape
from trace.floor.operations.counting import count_container, rereel_container, return_container, scrap_parts
from trace.holds.operations import place_holds, release_hold
from trace.material.operations.setups import abort_tape


def _box(plant: SimPlant, chance: random.Random, least: int = 1) -> tuple[Box, Decimal]:
    """A container in the store, and how many are in it."""
    box = plant.pick(chance, plant.stored("RES", "RES2", "CAP", least=least))
    return box, Decimal(sum(piece is not None for piece in box.pieces))


@kind(
    "re-reeled while suspect",
    does="what a container holds goes on a new reel while its lot is held, or just before, and is loaded",
    recorded="at its moment, after a refusal while the hold stood; counted or not",
)
def rereel(plant: SimPlant, chance: random.Random) -> None:
    box, number = _box(plant, chance)
    record, counted = plant.container(box.key), number if chance.random() < 0.5 else None
    key = plant.new_key("REEL")
    if chance.random() < 0.5:
        (hold,) = plant.tell(place_holds, targets=[record.lot], reason="doubtful")
        plant.try_to(rereel_container, source=record, key=key, quantity=counted)
        plant.wait(chance)
        plant.tell(release_hold, hold=hold, reason="a few were measured, and are right")
        plant.wait(chance)
    result = plant.tell(rereel_container, source=record, key=key, quantity=counted)
    pieces, box.pieces, box.gone = box.pieces, [], True
    plant.new_box(result, pieces, kinds={"re-reeled while suspect"})


@kind(
    "scrapped, counted, returned",
    does="some parts of a container are thrown away and the rest is counted; it is put back, with fewer than thought",
    recorded="the parts scrapped or a count with its reason, and the return",
)
def scrap_some(plant: SimPlant, chance: random.Random) -> None:
    box, number = _box(plant, chance, least=3)
    record, lost = plant.container(box.key), chance.randint(1, 2)
    if told := chance.random() < 0.6:
        plant.tell(scrap_parts, container=record, quantity=Decimal(lost), reason="bent leads")
    gone = [piece for piece in box.pieces if piece][:lost]
    box.pieces = [piece for piece in box.pieces if piece not in gone]
    plant.wait(chance)
    count: dict[str, Any] = {"container": record, "quantity": number - lost}
    if chance.random() < 0.5:
        plant.tell(count_container, **count, reason="some were lost")
    elif not told or chance.random() < 0.5:
        plant.tell(return_container, **count, store="SHELF", reason="fewer than thought")
    else:
        plant.tell(return_container, container=record, store="SHELF")
    for piece in box.pieces:
        if piece:
            piece.kinds.add("scrapped, counted, returned")


@kind(
    "tape given up",
    does="a tape is given up half-way; what is on it is thrown away, and its reels go back to the store",
    recorded="how many whole board sets were on it, and each reel that comes off",
)
def give_up(plant: SimPlant, chance: random.Random) -> None:
    advance(plant, chance, chance.randint(2, 6))
    chain = plant.chain or begin_tape(plant, chance)
    for head in chain.heads:
        plant.places[head].kinds.add("tape given up")
    whole = max(chain.passed, 0) // len(chain.links)
    plant.tell(abort_tape, tape=plant.tapes[chain.key], board_sets=whole, reason="too many empty places")
    clear_heads(plant, chance, chain)


@kind(
    "tape taken off and mounted again",
    does="a tape comes off the inserter half-way and goes on again",
    recorded="both scans, with the board set read on it",
)
def off_and_on(plant: SimPlant, chance: random.Random) -> None:
    chain = mounted_tape(plant, chance)
    if chain.slip or chain.next_set < 1:
        raise Skip
    for (_, _), piece in chain.cells.items():
        piece.kinds.add("tape taken off and mounted again")
    dismount(plant, chain)
    plant.wait(chance)
    mounted_tape(plant, chance)
