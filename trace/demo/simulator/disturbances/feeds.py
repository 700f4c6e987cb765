"""At feeds: splices, pours, returns, changeovers."""

from __future__ import annotations

import random
from typing import Any

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import INSERTION, setup_of
from trace.demo.simulator.physics import SupplyPlace
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import add_on, choose_box, load, put_back, put_on
from trace.demo.simulator.tapes import stand
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed, splice_feed, take_off_feed, top_up_feed
from trace.floor.operations.tapes import splice_head


def some_place(plant: SimPlant, chance: random.Random, *kinds: str, least: int = 0, takes: str = "") -> SupplyPlace:
    """A supply place of these kinds that is in use, has so many pieces left, and takes a part."""
    used = {feed for station in plant.variants for feed in plant.served(station).values()} | {
        key for key in plant.places if key.startswith("TAPE")
    }
    return plant.pick(
        chance,
        [
            place
            for key, place in plant.places.items()
            if place.kind in kinds and key in used and place.left >= least and takes in ("", *plant.fitting(key))
        ],
    )


UNTOLD = "run out, replaced untold"
"""The kind of disturbance that a reel put on without a scan went through."""


@kind(
    "splice",
    does="a reel is spliced on while some of the old is left",
    recorded="at its moment, with a lead that is wrong by no more than the tolerance said",
)
def splice(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "head", least=1)
    tolerance = chance.randrange(3)
    _splice(plant, chance, place, place.left + chance.randint(-tolerance, tolerance), tolerance, "splice")


@kind(
    "empty places",
    does="a reel with empty places is loaded, and another is spliced on it",
    recorded="the lead in places, within a tolerance that is no smaller than the number of empty ones",
)
def empty_places(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot")
    box = choose_box(plant, chance, *plant.fitting(place.key), least=3)
    gaps = chance.randint(1, 2)
    plant.tell(
        load_feed, feed=plant.feeds[place.key], container=plant.container(box.key), position=plant.position(place.key)
    )
    for _ in range(gaps):
        box.pieces.insert(chance.randrange(len(box.pieces)), None)
    put_on(place, box)
    plant.wait(chance)
    _splice(plant, chance, place, len(place.queue), gaps, "empty places")


def _splice(plant: SimPlant, chance: random.Random, place: SupplyPlace, lead: int, tolerance: int, name: str) -> None:
    box = choose_box(plant, chance, *plant.fitting(place.key))
    what: dict[str, Any] = {"feed": plant.feeds[place.key], "container": plant.container(box.key)}
    near = {"lead": max(lead, 0), "tolerance": tolerance}
    if place.kind == "head":
        stand(plant, chance, "to splice")
        plant.tell(splice_head, **what, **near)
    else:
        plant.tell(splice_feed, **what, **near, position=plant.position(place.key))
    add_on(place, box)
    place.kinds.add(name)


def _lose_order(plant: SimPlant, place: SupplyPlace) -> None:
    """Of a reel that followed untold, a count shows nothing more once its parts are mixed with the counted ones, or
    taken off with them, before those have run out."""
    there = [piece for piece in place.queue if piece]
    followers = [piece for piece in there if UNTOLD in piece.kinds]
    if followers and UNTOLD not in there[0].kinds:
        cause = plant.hide(UNTOLD)
        for piece in followers:
            piece.causes.append(cause)


def _top_up(plant: SimPlant, chance: random.Random, name: str, over: int | None) -> None:
    place = some_place(plant, chance, "slot", "bin", least=1)
    box = choose_box(plant, chance, *plant.fitting(place.key))
    pouring = box.pieces if chance.random() < 0.5 else box.pieces[: chance.randint(1, len(box.pieces))]
    counts = {}
    if over is not None:
        counts = {
            "quantity": sum(p is not None for p in pouring) + chance.randint(0, over),
            "left": place.left + chance.randint(0, over),
        }
    plant.tell(
        top_up_feed,
        feed=plant.feeds[place.key],
        container=plant.container(box.key),
        position=plant.position(place.key),
        **counts,
    )
    _lose_order(plant, place)
    box.pieces = box.pieces[len(pouring) :]
    for piece in pouring:
        if piece:
            piece.poured = True
    mixed = [*place.queue, *pouring]
    chance.shuffle(mixed)
    place.queue.clear()
    place.queue.extend(mixed)
    place.boxes.append(box.key)
    place.kinds.add(name)


@kind("top-up", does="new parts are poured on old and mix", recorded="at its moment; nobody counted")
def top_up(plant: SimPlant, chance: random.Random) -> None:
    _top_up(plant, chance, "top-up", None)


@kind(
    "miscount",
    does="new parts are poured on old and mix",
    recorded="with what was poured and what was left, both counted a little too high, as “at most” allows",
)
def miscount(plant: SimPlant, chance: random.Random) -> None:
    _top_up(plant, chance, "miscount", 2)


@kind(
    "part-used, returned",
    does="what is left on a feed goes back to the store, under a label that is on it or a new one, and is loaded again",
    recorded="at its moment",
)
def return_part_used(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "bin", "head", least=1)
    sure = len(place.boxes) == 1 and not place.kinds
    onto = [plant.boxes[key] for key in place.boxes if plant.boxes[key].at == place.key]
    into = onto[-1] if onto and not sure and chance.random() < 0.3 else None
    label = "" if into or sure and chance.random() < 0.4 else plant.new_key("REST")
    result = plant.tell(
        take_off_feed,
        feed=plant.feeds[place.key],
        label=label,
        into=into and plant.container(into.key),
        position=plant.position(place.key),
    )
    place.kinds.add("part-used, returned")
    _lose_order(plant, place)
    box = put_back(plant, place, result)
    plant.wait(chance)
    other = some_place(plant, chance, "slot", "bin")
    if chance.random() < 0.6 and box.part in plant.fitting(other.key):
        plant.tell(
            load_feed, feed=plant.feeds[other.key], container=plant.container(box.key),
            position=plant.position(other.key),
        )  # fmt: skip
        put_on(other, box)


@kind(
    "changeover",
    does="R2 is from now on fed from another slot, or from R1's again",
    recorded="at its moment, boards still lying at the station included",
)
def changeover(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, INSERTION)
    variant = 1 - plant.variants[station]
    feed = f"{station}-X"
    if variant and not plant.places[feed].left:
        load(plant, chance, feed)
        plant.wait(chance)
    key = plant.new_key(station)
    plant.tell(start_setup, key=key, **setup_of(plant.layout, station, variant, plant.cycle + 1))
    plant.variants[station] = variant
    for unit in plant.units.values():
        if any(name.startswith(f"{station}-") for _, name in unit.todo):
            served = plant.served(station)
            unit.todo = [(designator, served[designator]) for designator, _ in unit.todo]
        if unit.seen_at == station or unit.todo:
            unit.kinds.add("changeover")
