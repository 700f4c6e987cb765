"""Moments that are not known exactly: paper entered after an outage, a device whose clock is off."""

from __future__ import annotations

import random
from datetime import timedelta

from trace.core.clock import from_ticks
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import MINUTE, SECOND
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import choose_box, put_on
from trace.demo.simulator.work import draw, release
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import record_passes


def _outage(plant: SimPlant, chance: random.Random, name: str, sheet: str) -> None:
    """Some boards go through a station and its reel is changed between them; all is entered afterwards, each time off
    by no more than the error said."""
    station = plant.pick(chance, ["GATED", "ONE", "LOOSE"])
    error = chance.randint(30, 240)
    units = release(plant, "BOARD", 3)
    plant.now += 20 * MINUTE
    feed = plant.served(station)["R1"]
    lines, written = [], 0
    for number, unit in enumerate(units):
        if number and chance.random() < 0.7:
            box = choose_box(plant, chance, *plant.fitting(feed))
            put_on(plant.places[feed], box)
            plant.places[feed].kinds.add(name)
            plant.say(f"not yet told: {box.key} is put on {feed}")
            lines.append((plant.now, None, box))
            plant.wait(chance, 20, 90)
        entered = plant.now
        plant.wait(chance, 2, 20)
        for designator, place in plant.served(station).items():
            draw(plant, chance, unit, designator, place)
            plant.wait(chance, 2, 20)
        lines.append((plant.now, entered, unit))
        unit.kinds.add(name)
        plant.wait(chance, 20, 90)
    plant.now += error * SECOND + 10 * MINUTE
    for at, entered, thing in lines:
        off = chance.randint(-error, error) * SECOND
        written = max(at + off, written + SECOND) if sheet else at + off
        said = {"error": timedelta(seconds=error), "sheet": sheet}
        if entered is None:
            plant.tell(load_feed, at=written, feed=plant.feeds[feed], container=plant.container(thing.key), **said)
            continue
        both = {"entered": from_ticks(written - (at - entered))} if station == "GATED" else {}
        plant.tell(
            record_passes,
            at=written,
            units=[plant.unit(thing)],
            station=plant.layout.stations[station],
            **both,
            **said,
        )
        thing.step, thing.seen_at = 10, station


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
