"""Moments that are not known exactly: paper entered after an outage, a device whose clock is off."""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from functools import partial
from typing import Any

from trace.core.clock import from_ticks
from trace.core.errors import Refusal
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import MINUTE, SECOND
from trace.demo.simulator.physics import SimUnit
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import choose_box, put_on
from trace.demo.simulator.work import draw, release, tell_passed
from trace.floor.operations.feeds import load_feed

Line = tuple[int, Callable[..., None]]
"""A line on paper: when it was done, and how it is entered."""


def _outage(plant: SimPlant, chance: random.Random, name: str, sheet: str) -> None:
    """Some boards go through a station and its reel is changed between them; all is entered afterwards, each time off
    by no more than the error said."""
    station = plant.pick(chance, ["GATED", "ONE", "LOOSE"])
    error = chance.randint(30, 240)
    units = release(plant, "BOARD", 3)
    plant.now += 20 * MINUTE
    feed = plant.served(station)["R1"]
    lines: list[Line] = []
    for number, unit in enumerate(units):
        if number and chance.random() < 0.7:
            lines.append(_change(plant, chance, feed, name))
            plant.wait(chance, 20, 90)
        entered = plant.now
        plant.wait(chance, 2, 20)
        for designator, place in plant.served(station).items():
            draw(plant, chance, unit, designator, place)
            plant.wait(chance, 2, 20)
        unit.kinds.add(name)
        lines.append((plant.now, partial(_tell_board, plant, station, unit, plant.now - entered)))
        plant.wait(chance, 20, 90)
    plant.now += error * SECOND + 10 * MINUTE
    written = 0
    for at, enter in lines:
        off = chance.randint(-error, error) * SECOND
        written = max(at + off, written + SECOND) if sheet else at + off
        with suppress(Refusal):  # what is refused stays hidden; the next line is entered all the same
            enter(at=written, error=timedelta(seconds=error), sheet=sheet)


def _change(plant: SimPlant, chance: random.Random, feed: str, name: str) -> Line:
    place, box = plant.places[feed], choose_box(plant, chance, *plant.fitting(feed))
    plant.lead_astray(name, box.key, *place.boxes)
    put_on(place, box)
    plant.say(f"not yet told: {box.key} is put on {feed}")
    cause = plant.hide(name)
    place.kinds, place.causes = {name}, [cause]

    def enter(**said: Any) -> None:
        plant.tell(load_feed, feed=plant.feeds[feed], container=plant.container(box.key), **said)
        cause.revealed = True
        plant.lead_astray("", box.key)

    return plant.now, enter


def _tell_board(plant: SimPlant, station: str, unit: SimUnit, took: int, **said: Any) -> None:
    both = {"entered": from_ticks(said["at"] - took)} if station == "GATED" else {}
    tell_passed(plant, station, [unit], **both, **said)


@kind(
    "paper after an outage",
    does="boards go on and a reel is changed while the system is down",
    recorded="afterwards, from one sheet, in the order of its lines, each time within an error",
)
def paper(plant: SimPlant, chance: random.Random) -> None:
    _outage(plant, chance, "paper after an outage", plant.new_key("SHEET"))


@kind(
    "clock off",
    does="boards go on and a reel is changed at a device whose clock is off",
    recorded="each time within an error, in no order that could be relied on",
)
def clock_off(plant: SimPlant, chance: random.Random) -> None:
    _outage(plant, chance, "clock off", "")
