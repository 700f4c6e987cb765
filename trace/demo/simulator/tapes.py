"""Sequenced tapes in an ordinary shift: built on heads that stand along a chain, finished, mounted, drawn from."""

from __future__ import annotations

import random
from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from trace.demo.simulator.layout import LINKS
from trace.demo.simulator.physics import Chain, Piece, SupplyPlace
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import choose_box, load, put_back
from trace.floor.operations.counting import return_container
from trace.floor.operations.feeds import fill_by_hand, take_off_feed
from trace.floor.operations.mounting import mount_tape, take_off_tape
from trace.floor.operations.tapes import resume_tape, stop_tape
from trace.material.models import Feed
from trace.material.operations.setups import finish_tape, start_tape


def begin_tape(plant: SimPlant, chance: random.Random) -> Chain:
    """A sequenced tape with two heads, the one further along the chain than the other; it stands, both loaded."""
    key, board_sets = plant.new_key("TAPE"), chance.randint(3, 8)
    distances = [chance.randrange(3), chance.randrange(5)]
    heads = {f"H{n + 1}": (distance, [LINKS[n]]) for n, distance in enumerate(distances)}
    plant.tapes[key] = plant.tell(
        start_tape,
        key=key,
        assembly=plant.layout.parts["BOARD"],
        sequence=LINKS,
        heads=heads,
        board_sets=board_sets,
    )
    chain = plant.chain = Chain(
        key, LINKS, {f"{key}-{name}": (d, links[0]) for name, (d, links) in heads.items()}, board_sets, -max(distances)
    )
    for head, (_, designator) in chain.heads.items():
        plant.feeds[head] = Feed.objects.select_related("axis__tape").get(key=head)
        plant.places[head] = SupplyPlace(head, "TAPER", "RES" if designator == "T1" else "CAP", "head")
    for head in chain.heads:
        load(plant, chance, head)
    return chain


def stand(plant: SimPlant, chance: random.Random, reason: str) -> None:
    """The tape being built stops; where, is read to the link or only to the board set."""
    chain = plant.chain
    if chain is None or chain.stands:
        return
    board_set, link = divmod(max(chain.passed, 0), len(chain.links))
    exactly = {"link": link} if chain.passed >= 0 and chance.random() < 0.7 else {}
    plant.tell(stop_tape, tape=plant.tapes[chain.key], board_set=board_set, **exactly, reason=reason)
    chain.stands = True


def run(plant: SimPlant, chance: random.Random) -> None:
    """The tape runs on, with something on every head."""
    chain = plant.chain
    if chain is None or not chain.stands:
        return
    for head in chain.heads:
        if not plant.places[head].left:
            load(plant, chance, head)
    plant.wait(chance)
    plant.tell(resume_tape, tape=plant.tapes[chain.key])
    chain.stands = False


def take_by_hand(plant: SimPlant, chance: random.Random, head: str, board_set: int) -> Piece:
    """A piece is taken from a container to fill a head's place."""
    box = choose_box(plant, chance, *plant.fitting(head))
    plant.tell(fill_by_hand, feed=plant.feeds[head], container=plant.container(box.key), board_set=board_set)
    piece = next(piece for piece in box.pieces if piece)
    box.pieces.remove(piece)
    return piece


def fill_empties(plant: SimPlant, chance: random.Random, chain: Chain) -> None:
    """The places that were found empty are filled by hand."""
    while chain.empty:
        head, cell = chain.empty[0]
        chain.cells[cell] = take_by_hand(plant, chance, head, cell[0])
        chain.cells[cell].kinds.add("found empty")
        chain.empty.pop(0)


def advance(
    plant: SimPlant, chance: random.Random, links: int = 1, by_hand: Mapping[str, Piece | None] = MappingProxyType({})
) -> None:
    """The chain moves on; each head over a link of its own drops a component into it, or misses it where a place was
    filled `by_hand`: {head: the piece, None for one left empty}. It stops where a head has run out, and once the tape
    is whole."""
    chain = plant.chain or begin_tape(plant, chance)
    for _ in range(links):
        cells = {head: cell for head in chain.heads if (cell := chain.cell_at(head))}
        for head in cells:
            if not plant.places[head].left and head not in by_hand:
                stand(plant, chance, "run out")
        run(plant, chance)
        for head, cell in cells.items():
            piece = by_hand[head] if head in by_hand else plant.places[head].draw()
            assert piece or head in by_hand
            if piece:
                chain.cells[cell] = piece
        chain.passed += 1
        if chain.passed >= chain.board_sets * len(chain.links):
            _finish(plant, chance, chain)
            return


def _finish(plant: SimPlant, chance: random.Random, chain: Chain) -> None:
    plant.wait(chance)
    if chain.empty:
        plant.try_to(finish_tape, tape=plant.tapes[chain.key], board_sets=chain.board_sets)
        fill_empties(plant, chance, chain)
        plant.wait(chance)
    plant.tell(finish_tape, tape=plant.tapes[chain.key], board_sets=chain.board_sets)
    plant.built.append(chain)
    clear_heads(plant, chance, chain)


def clear_heads(plant: SimPlant, chance: random.Random, chain: Chain) -> None:
    """What is left on the heads of a tape that is built no longer goes back to the store, counted or not."""
    for head in chain.heads:
        place = plant.places[head]
        if place.left:
            plant.wait(chance)
            label = "" if len(place.boxes) == 1 and not place.kinds else plant.new_key("REST")
            result = plant.tell(take_off_feed, feed=plant.feeds[head], label=label, position=plant.position(head))
            box = put_back(plant, place, result)
            counted: dict[str, Any] = {}
            if chance.random() < 0.5:
                counted = {"quantity": Decimal(sum(p is not None for p in box.pieces)), "reason": "counted"}
            plant.tell(return_container, container=result, store="SHELF", **counted)
        del plant.places[head]
    plant.chain = None


def mounted_tape(plant: SimPlant, chance: random.Random) -> Chain:
    """The tape on the inserter, with a board set left: one that is used up is taken off, and the next one mounted."""
    chain = plant.mounted
    if chain and max(chain.next_set, chain.counted) >= chain.board_sets:
        dismount(plant, chain)
        plant.built.remove(chain)
    if plant.mounted is None:
        while not plant.built:
            advance(plant, chance)
        chain = plant.built[0]
        plant.tell(
            mount_tape,
            tape=plant.tapes[chain.key],
            station=plant.layout.stations["TAPER"],
            assembly=plant.layout.parts["BOARD"],
            board_set=chain.next_set,
        )
        plant.mounted = chain
        plant.wait(chance)
    assert plant.mounted
    return plant.mounted


def dismount(plant: SimPlant, chain: Chain) -> None:
    plant.tell(take_off_tape, tape=plant.tapes[chain.key], board_set=chain.next_set)
    plant.mounted = None
