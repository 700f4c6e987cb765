"""In the store: splits, merges, new labels."""

from __future__ import annotations

import random
from contextlib import suppress

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import COMPONENTS
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import load
from trace.floor.operations.feeds import find_on_feed
from trace.floor.operations.stores import merge_containers, split_container
from trace.holds.operations import place_holds, release_hold


@kind("split", does="some parts are filled into a new bag", recorded="at its moment")
def split(plant: SimPlant, chance: random.Random) -> None:
    box = plant.pick(chance, plant.stored("RES", "RES2", "CAP", least=3))
    result = plant.tell(split_container, source=plant.container(box.key), key=plant.new_key("SPLIT"))
    cut = chance.randrange(1, len(box.pieces))
    taken, box.pieces = box.pieces[:cut], box.pieces[cut:]
    plant.new_box(result, taken, kinds={"split"}, sources=[box])


@kind(
    "merge",
    does="containers of one part are poured together and mix: into a new one, or one into the other",
    recorded="at its moment",
)
def merge(plant: SimPlant, chance: random.Random) -> None:
    part = plant.pick(chance, COMPONENTS[:3])
    boxes = plant.stored(part)
    first = plant.pick(chance, boxes)
    second = plant.pick(chance, [box for box in boxes if box is not first])
    sources = [plant.container(first.key)]
    if chance.random() < 0.5:
        key = plant.new_key("MERGE")
        result = plant.tell(merge_containers, sources=[*sources, plant.container(second.key)], key=key)
        mixed = [*first.pieces, *second.pieces]
        first.pieces, second.pieces = [], []
        chance.shuffle(mixed)
        plant.new_box(result, mixed, kinds={"merge"}, sources=[first, second])
        return
    plant.tell(merge_containers, sources=sources, into=plant.container(second.key))
    second.pour_in(first.pieces)
    second.sources |= {first.key, *first.sources}
    first.pieces = []
    chance.shuffle(second.pieces)
    for piece in second.pieces:
        if piece:
            piece.kinds.add("merge")


@kind("label replaced", does="a container is filled over under a new label", recorded="at its moment")
def replace_label(plant: SimPlant, chance: random.Random) -> None:
    box = plant.pick(chance, plant.stored("RES", "RES2", "CAP"))
    key = plant.new_key("LABEL")
    result = plant.tell(merge_containers, sources=[plant.container(box.key)], key=key)
    pieces, box.pieces = box.pieces, []
    plant.new_box(result, pieces, kinds={"label replaced"}, sources=[box])


def verify(plant: SimPlant, chance: random.Random) -> None:
    """An ordinary verification scan of what lies at a place, where one container alone is there."""
    place = plant.pick(chance, [p for p in plant.places.values() if len(p.boxes) == 1 and p.left and not p.causes])
    plant.tell(
        find_on_feed,
        feed=plant.feeds[place.key],
        container=plant.container(place.boxes[0]),
        position=plant.position(place.key),
    )


@kind(
    "bad lot held",
    does="a lot is held; what of it is on feeds is thrown away and replaced, what is in store goes to a cage",
    recorded="the hold, each change at its moment, and the release of what is delivered later",
)
def hold_lot(plant: SimPlant, chance: random.Random) -> None:
    loaded = [(place, key) for place in plant.places.values() if place.left for key in place.boxes]
    _, key = plant.pick(chance, loaded)
    lot = plant.lots[key]
    (hold,) = plant.tell(place_holds, targets=[plant.container(key).lot], reason="parts drift")
    for box in plant.boxes.values():
        if plant.lots[box.key] == lot and box.at is None:
            box.gone = True
    for place in {place.key: place for place, key in loaded if plant.lots[key] == lot}.values():
        plant.wait(chance)
        with suppress(Skip):  # nothing else may be in store: then the place stays as it is
            load(plant, chance, place.key)
        place.kinds.add("bad lot held")
    plant.wait(chance)
    plant.tell(release_hold, hold=hold, reason="later deliveries were sorted")
