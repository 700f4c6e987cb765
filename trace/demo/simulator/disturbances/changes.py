"""Changes of container whose moment, or very existence, nobody recorded when it happened."""

from __future__ import annotations

import random
from functools import partial

from trace.core.errors import Refusal
from trace.demo.simulator.disturbances.feeds import some_place
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import MINUTE
from trace.demo.simulator.physics import Box, Cause, SupplyPlace
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import choose_box, load
from trace.demo.simulator.work import board_for, visit
from trace.floor.operations.feeds import find_on_feed, load_feed


def _change_untold(
    plant: SimPlant, chance: random.Random, place: SupplyPlace, name: str, *, keep_old: bool = False
) -> tuple[Box, Cause]:
    """Another box is put on and nobody says so; the old one goes back to the store or is thrown away."""
    box = choose_box(plant, chance, *plant.fitting(place.key), least=2)
    old = plant.boxes[place.boxes[0]] if keep_old and len(place.boxes) == 1 else None
    plant.say(f"untold: {box.key} is put on {place.key}")
    earlier = list(place.causes)
    plant.lead_astray(name, box.key, *place.boxes)
    rest = place.empty_out()
    if old and not earlier:
        old.pieces, old.at = rest, None
    cause = plant.hide(name)
    place.queue.extend(box.pieces)
    box.pieces, box.at, place.boxes = [], place.key, [box.key]
    place.causes, place.kinds = [cause], {name}
    place.untold.append(cause)
    return box, cause


@kind(
    "found later",
    does="a reel is changed and the old one put back in the store, or thrown away",
    recorded="nothing, until a verification scan finds the new one some boards later",
)
def found_later(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "bin", least=1)
    box, cause = _change_untold(plant, chance, place, "found later", keep_old=chance.random() < 0.5)
    plant.pending.append(partial(_find, plant, place, box, cause))


def _find(plant: SimPlant, place: SupplyPlace, box: Box, cause: Cause) -> None:
    if place.boxes == [box.key] and cause in place.causes:
        plant.tell(
            find_on_feed,
            feed=plant.feeds[place.key],
            container=plant.container(box.key),
            position=plant.position(place.key),
        )
        plant.lead_astray("", box.key)
        for each in place.untold:  # what came and went meanwhile was unknown material, and the record says so
            each.revealed = True
        place.untold = []


@kind(
    "recorded late",
    does="a reel is changed",
    recorded="some time later, as done within a range of time, or then and within a range of machine counts",
)
def recorded_late(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "bin")
    counted = plant.position(place.key)
    begun = plant.now - chance.randint(0, 6) * MINUTE if counted is None else max(counted[0] - chance.randint(0, 3), 0)
    for tick, unit in place.given:
        if counted is None and tick >= begun:
            unit.kinds.add("recorded late")
    box, cause = _change_untold(plant, chance, place, "recorded late")
    plant.pending.append(partial(_record_late, plant, place, box, cause, begun, plant.now))


def _record_late(plant: SimPlant, place: SupplyPlace, box: Box, cause: Cause, begun: int, changed: int) -> None:
    counted = plant.position(place.key)
    where = (begun, plant.now if counted is None else counted[1])
    feed, container = plant.feeds[place.key], plant.container(box.key)
    # Where the counter stands still, the moment alone tells this change from others.
    plant.tell(load_feed, feed=feed, container=container, position=where, at=None if counted is None else changed)
    cause.revealed = True
    if box.astray == "recorded late":  # else it went untold since
        plant.lead_astray("", box.key)
    place.untold = []


@kind(
    "change with a board open",
    does="a reel is changed between two draws of one board, which has both",
    recorded="at its moment, while the board is inside or lies at the station",
)
def change_with_board_open(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, ["GATED", "ONE", "LOOSE", "COUNT"])
    unit = board_for(plant, chance, station)
    feed = plant.served(station)["R1"]
    for other in plant.units.values():
        if other.todo and station == "LOOSE":
            other.kinds.add("change with a board open")
    unit.kinds.add("change with a board open")
    visit(plant, chance, unit, station, between=lambda: _reload(plant, chance, feed))


def _reload(plant: SimPlant, chance: random.Random, feed: str) -> None:
    load(plant, chance, feed, inside=True)
    plant.places[feed].kinds.add("change with a board open")


@kind(
    "swap never seen",
    does="a reel is changed and the old one thrown away",
    recorded="nothing, ever",
    hidden=True,
)
def swap_never_seen(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", least=1)
    _change_untold(plant, chance, place, "swap never seen")
    plant.hidden["swap never seen"] += 1


def tell_pending(plant: SimPlant) -> None:
    """What somebody still has to record is recorded."""
    while plant.pending:
        record = plant.pending.pop(0)
        try:
            record()
        except (Skip, Refusal):
            continue
