"""Material in an ordinary shift: it is received, loaded, runs out and is replaced; a tape is sequenced."""

from __future__ import annotations

import random
from collections.abc import Mapping
from types import MappingProxyType

from trace.core.errors import Refusal
from trace.demo.simulator.layout import LINKS
from trace.demo.simulator.physics import Box, Chain, Piece, SupplyPlace
from trace.demo.simulator.plant import SimPlant, Skip
from trace.floor.operations.feeds import charge_bath, clear_feed, dump_bath, load_feed
from trace.material.models import Feed, SetUp
from trace.material.operations.setups import start_tape
from trace.material.operations.stock import receive_lot

LOTS = {"RES": ["LA", "LB", "LH"], "RES2": ["LC"], "CAP": ["LD", "LE"], "SOLDER": ["LF", "LG"]}
TAPE_SETS = 60


def receive(plant: SimPlant, chance: random.Random, part: str, boxes: int = 1) -> list[Box]:
    """Some containers of a lot; another delivery of a lot known before joins it."""
    lot = plant.pick(chance, LOTS[part])
    labels = [plant.new_key(lot) for _ in range(boxes)]
    plant.tell(
        receive_lot,
        key=lot,
        supplier=plant.layout.supplier,
        part=plant.layout.parts[part],
        number=lot,
        containers=[(label, None) for label in labels],
    )
    return [_fill(plant, chance, label, part, lot) for label in labels]


def _fill(plant: SimPlant, chance: random.Random, label: str, part: str, lot: str) -> Box:
    size = 1 if part == "SOLDER" else chance.randint(4, 9)
    box = plant.boxes[label] = Box(label, part)
    box.pour_in(Piece(lot, []) for _ in range(size))
    plant.lots[label] = lot
    return box


def stock_up(plant: SimPlant, chance: random.Random) -> None:
    """The first stock: every lot of every part. The bath is clean."""
    plant.tell(dump_bath, feed=plant.feeds["WAVE-S"], cleaned=True)
    for part, lots in LOTS.items():
        for lot in lots:
            labels = [plant.new_key(lot) for _ in range(3)]
            plant.tell(
                receive_lot,
                key=lot,
                supplier=plant.layout.supplier,
                part=plant.layout.parts[part],
                number=lot,
                containers=[(label, None) for label in labels],
            )
            for label in labels:
                _fill(plant, chance, label, part, lot)


def choose_box(plant: SimPlant, chance: random.Random, *parts: str, least: int = 1) -> Box:
    """A box from the store, or from a new delivery."""
    stored = plant.stored(*parts, least=least)
    if stored:
        return plant.pick(chance, stored)
    return receive(plant, chance, parts[0])[0]


def load(plant: SimPlant, chance: random.Random, feed: str, *, inside: bool = False) -> Box:
    """A place is emptied and another box loaded, recorded at its very moment; what the system refuses stays away."""
    for _ in range(6):
        box = choose_box(plant, chance, *plant.fitting(feed))
        try:
            plant.tell(
                load_feed,
                feed=plant.feeds[feed],
                container=plant.container(box.key),
                position=plant.position(feed, inside=inside),
            )
        except Refusal:
            box.gone = True  # set aside: somebody would have to find out what is wrong with it
            continue
        put_on(plant.places[feed], box)
        return box
    raise Skip


def clear(plant: SimPlant, chance: random.Random) -> None:
    """A place is emptied, and what lay there thrown away; whoever draws next will find it empty."""
    place = plant.pick(chance, [p for p in plant.places.values() if p.left and p.kind != "head"])
    plant.tell(clear_feed, feed=plant.feeds[place.key], position=plant.position(place.key))
    place.empty_out()
    place.untold = []


def put_on(place: SupplyPlace, box: Box) -> None:
    """The parts move, as was told: whatever lay there is thrown away."""
    place.empty_out()
    place.untold = []
    add_on(place, box)


def add_on(place: SupplyPlace, box: Box) -> None:
    """What is in a box goes behind what lies there."""
    place.queue.extend(box.pieces)
    box.pieces = []
    box.at = place.key
    place.boxes.append(box.key)


def charge(plant: SimPlant, chance: random.Random) -> None:
    """A bar goes into the bath."""
    box = choose_box(plant, chance, "SOLDER")
    plant.tell(charge_bath, feed=plant.feeds["WAVE-S"], container=plant.container(box.key))
    for piece in box.pieces:
        if piece:
            plant.bath.charge(piece, 1.0)
    box.pieces, box.gone = [], True


def begin_tape(plant: SimPlant, chance: random.Random) -> Chain:
    """A sequenced tape with two heads, the one further along the chain than the other."""
    distances = [chance.randrange(3), chance.randrange(5)]
    heads = {f"H{n + 1}": (distance, [LINKS[n]]) for n, distance in enumerate(distances)}
    plant.tell(
        start_tape,
        key="TAPE",
        assembly=plant.layout.parts["BOARD"],
        sequence=LINKS,
        heads=heads,
        board_sets=TAPE_SETS,
    )
    chain = plant.chain = Chain(LINKS, {f"TAPE-{name}": (d, links[0]) for name, (d, links) in heads.items()})
    for key, (_, designator) in chain.heads.items():
        plant.feeds[key] = Feed.objects.select_related("axis__tape").get(key=key)
        plant.places[key] = SupplyPlace(key, "TAPER", "RES" if designator == "T1" else "CAP", "head")
        load(plant, chance, key)
    return chain


def advance(
    plant: SimPlant, chance: random.Random, links: int = 1, by_hand: Mapping[str, Piece] = MappingProxyType({})
) -> None:
    """The chain moves on; each head over a link of its own drops a component into it, or misses it where a place was
    filled `by_hand`: {head: the piece}."""
    chain = plant.chain or begin_tape(plant, chance)
    for _ in range(links):
        for head in chain.heads:
            cell = chain.cell_at(head)
            if cell is None:
                continue
            if head in by_hand:
                chain.cells[cell] = by_hand[head]
                continue
            place = plant.places[head]
            if not place.left:
                load(plant, chance, head)
            piece = place.draw()
            assert piece
            chain.cells[cell] = piece
        chain.passed += 1


def next_board_set(plant: SimPlant, chance: random.Random) -> int:
    """The next whole board set of the tape; those at its beginning that a head further on never reached are cut off."""
    chain = plant.chain or begin_tape(plant, chance)
    while not chain.whole(chain.next_set):
        if any(chain.passed + d > len(chain.links) * (chain.next_set + 1) for d, _ in chain.heads.values()) and all(
            chain.passed + d > len(chain.links) * chain.next_set + chain.links.index(name)
            for d, name in chain.heads.values()
        ):
            chain.next_set += 1
        else:
            advance(plant, chance)
    return chain.next_set


def tape_setup() -> SetUp:
    return SetUp.objects.select_related("axis__tape").get(key="TAPE-SETUP")
