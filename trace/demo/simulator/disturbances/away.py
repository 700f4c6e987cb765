"""Reels that leave a feed unseen and turn up elsewhere; reels that run out and are replaced without a word."""

from __future__ import annotations

import random
from functools import partial

from trace.demo.simulator.disturbances.feeds import UNTOLD, some_place
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.physics import Box, Cause, SupplyPlace
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import choose_box, put_on
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.stores import store_container


def _take_away(plant: SimPlant, chance: random.Random, name: str) -> tuple[SupplyPlace, Box, Cause]:
    """The one reel of a place is taken away and another put there; nobody says so."""
    place = some_place(plant, chance, "slot", least=2)
    if len(place.boxes) != 1 or place.causes or place.untold:
        raise Skip
    away, other = plant.boxes[place.boxes[0]], choose_box(plant, chance, *plant.fitting(place.key), least=2)
    if away.at != place.key:
        raise Skip
    plant.say(f"untold: {away.key} is taken off {place.key}, and {other.key} put on")
    away.pieces, away.at = place.empty_out(), None
    cause = plant.hide(name)
    place.queue.extend(other.pieces)
    other.pieces, other.at, place.boxes = [], place.key, [other.key]
    place.causes, place.kinds = [cause], {name}
    place.untold.append(cause)
    plant.lead_astray(name, away.key, other.key)
    return place, away, cause


@kind(
    "seen on another feed",
    does="a reel is taken off one feed and put on another; the first gets a reel that nobody scans",
    recorded="only the load at the other feed",
)
def seen_on_another_feed(plant: SimPlant, chance: random.Random) -> None:
    place, away, cause = _take_away(plant, chance, "seen on another feed")
    plant.wait(chance, 10, 300)
    near = [p for p in plant.places.values() if p.kind == "slot" and away.part in plant.fitting(p.key)]
    other = plant.pick(chance, near)
    plant.tell(
        load_feed,
        feed=plant.feeds[other.key],
        container=plant.container(away.key),
        position=plant.position(other.key),
    )
    cause.revealed = other is not place
    plant.lead_astray("", away.key)
    put_on(other, away)


@kind(
    "seen in the store",
    does="a reel is taken off a feed and put in the store; the feed gets a reel that nobody scans",
    recorded="only a scan in the store, some boards later",
)
def seen_in_store(plant: SimPlant, chance: random.Random) -> None:
    place, away, cause = _take_away(plant, chance, "seen in the store")
    away.gone = True  # nobody else fetches it until it is scanned
    plant.pending.append(partial(_store, plant, place, away, cause))


def _store(plant: SimPlant, place: SupplyPlace, away: Box, cause: Cause) -> None:
    away.gone = False
    shows = cause in place.untold  # else a change recorded there since has covered it up
    plant.tell(store_container, container=plant.container(away.key), store="SHELF")
    cause.revealed = cause.revealed or shows
    if shows:
        plant.lead_astray("", away.key)


@kind(
    UNTOLD,
    does="a counted reel runs out, and another is put on without a scan",
    recorded="the count within its tolerance at the load, nothing of the other",
)
def run_out_untold(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot")
    box = choose_box(plant, chance, *plant.fitting(place.key), least=2)
    count = sum(piece is not None for piece in box.pieces)
    plant.tell(
        load_feed,
        feed=plant.feeds[place.key],
        container=plant.container(box.key),
        position=plant.position(place.key),
        quantity=count + chance.randint(0, 2),
        at_least=max(count - chance.randint(0, 2), 0),
    )
    put_on(place, box)
    other = choose_box(plant, chance, *plant.fitting(place.key), least=2)
    for piece in other.pieces:
        if piece:
            piece.kinds.add(UNTOLD)
    place.kinds.add(UNTOLD)
    plant.say(f"untold: {other.key} will follow {box.key} on {place.key}")
    place.queue.extend(other.pieces)
    other.pieces, other.at = [], place.key
    place.boxes.append(other.key)
    plant.lead_astray(UNTOLD, other.key)
