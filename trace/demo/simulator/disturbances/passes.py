"""Passes that are not as they should be: aborted, repeated, void, out of order."""

from __future__ import annotations

import random
from typing import Any

from trace.core.clock import from_ticks
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.work import board_for, draw, let_out, release, settle, visit, waiting
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.passes import record_passes

STATIONS = ["GATED", "ONE", "LOOSE", "COUNT"]


@kind(
    "aborted",
    does="a pass is broken off after some draws, and another completes it",
    recorded="as aborted; what each drew is said or not",
)
def aborted(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, STATIONS)
    unit = board_for(plant, chance, station)
    missing = chance.sample(["R1", "R2", "C1"], chance.randint(1, 3))
    said: dict[str, Any] = {}
    if chance.random() < 0.4:
        said = {"only": sorted({"R1", "R2", "C1"} - set(missing))}
    visit(plant, chance, unit, station, leave_out=missing, outcome="aborted", **said)
    unit.kinds.add("aborted")
    plant.wait(chance)
    kept = {"R1", "R2", "C1"} - set(missing)
    rest: dict[str, Any] = {"only": sorted(missing)} if said and chance.random() < 0.5 else {}
    visit(plant, chance, unit, leave_out=kept, **rest)


@kind(
    "repeated",
    does="a board fails and goes through again; its parts stay, or some are thrown away and drawn anew",
    recorded="two passes; what the second drew is not said",
)
def repeated(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, STATIONS)
    unit = board_for(plant, chance, station)
    visit(plant, chance, unit, station, outcome="failed")
    settle(plant, chance, unit)
    unit.kinds.add("repeated")
    plant.wait(chance)
    stay = chance.sample(["R1", "R2", "C1"], chance.randint(0, 3))
    visit(plant, chance, unit, leave_out=stay)


@kind(
    "void",
    does="a traveller is scanned by mistake; its board was not there",
    recorded="a pass, which is made void after another board went through",
)
def void(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, STATIONS[:3])
    units = [*waiting(plant, "BOARD", station), *release(plant, "BOARD", 2)]
    wrong, right = chance.sample(units, 2)
    settle(plant, chance, wrong)
    entered = plant.now
    plant.wait(chance, 2, 20)
    both: dict[str, Any] = {"entered": from_ticks(entered)} if station == "GATED" else {}
    (entry,) = plant.tell(record_passes, units=[plant.unit(wrong)], station=plant.layout.stations[station], **both)
    wrong.kinds.add("void")
    plant.wait(chance)
    visit(plant, chance, right, station)
    right.kinds.add("void")
    plant.wait(chance)
    plant.tell(void_pass, entry=entry, reason="scanned by mistake")


@kind(
    "swapped in a rack",
    does="boards of one rack are worked on in another order than they stand in",
    recorded="all of them over the whole of the rack's time, or of its machine counts",
)
def swapped_in_rack(plant: SimPlant, chance: random.Random) -> None:
    station = plant.pick(chance, ["GATED", "COUNT"])
    units = [*waiting(plant, "BOARD", station)[:2], *release(plant, "BOARD", 2)]
    chance.shuffle(units)
    for unit in units:
        settle(plant, chance, unit)
    entered, first = plant.now, plant.cycle + 1
    plant.wait(chance, 2, 20)
    for unit in units:
        plant.cycle += station == "COUNT"
        for designator, feed in plant.served(station).items():
            draw(plant, chance, unit, designator, feed)
            plant.wait(chance, 2, 10)
        unit.kinds.add("swapped in a rack")
    positions = [(first, plant.cycle)] * len(units) if station == "COUNT" else None
    plant.tell(
        record_passes,
        units=[plant.unit(unit) for unit in units],
        station=plant.layout.stations[station],
        entered=from_ticks(entered),
        positions=positions,
        rack="RACK",
    )
    for unit in units:
        unit.step, unit.seen_at = 10, station


@kind(
    "travellers exchanged",
    does="two boards carry each other's travellers from one station on",
    recorded="nothing, ever",
    hidden=True,
)
def travellers_exchanged(plant: SimPlant, chance: random.Random) -> None:
    boards = [u for u in plant.units.values() if u.kind == "BOARD" and u.places and not (u.gone or u.todo or u.inside)]
    if len(boards) < 2:
        return
    one, two = chance.sample(boards, 2)
    if one.step != two.step:
        return
    cause = plant.hide("travellers exchanged")
    for unit in (one, two):
        for piece in unit.pieces():
            piece.causes.append(cause)
    one.places, two.places = two.places, one.places
    plant.hidden["travellers exchanged"] += 1
    plant.say(f"untold: {one.key} and {two.key} exchange travellers")


@kind(
    "scanned in a batch",
    does="boards are worked on side by side at a station meant for one at a time, and scanned one after the other",
    recorded="a scan of each, closer together than the work takes",
)
def scanned_in_batch(plant: SimPlant, chance: random.Random) -> None:
    units = [*waiting(plant, "BOARD", "ONE")[:2], *release(plant, "BOARD", 2)]
    for unit in units:
        settle(plant, chance, unit)
    let_out(plant, "ONE")
    draws = [(unit, designator, feed) for unit in units for designator, feed in plant.served("ONE").items()]
    chance.shuffle(draws)
    for unit, designator, feed in draws:
        draw(plant, chance, unit, designator, feed)
        plant.wait(chance, 2, 10)
    for unit in units:
        plant.wait(chance, 1, 3)
        plant.tell(record_passes, units=[plant.unit(unit)], station=plant.layout.stations["ONE"])
        unit.step, unit.seen_at = 10, "ONE"
        unit.kinds.add("scanned in a batch")


@kind(
    "count misread",
    does="a board goes through a machine whose counter can't be read well",
    recorded="a range of counts that holds the true one",
)
def count_misread(plant: SimPlant, chance: random.Random) -> None:
    unit = board_for(plant, chance, "COUNT")
    settle(plant, chance, unit)
    entered = plant.now
    plant.wait(chance, 2, 20)
    plant.cycle += 1
    for designator, feed in plant.served("COUNT").items():
        draw(plant, chance, unit, designator, feed)
        plant.wait(chance, 2, 10)
    off = chance.randint(1, 3)
    plant.tell(
        record_passes,
        units=[plant.unit(unit)],
        station=plant.layout.stations["COUNT"],
        entered=from_ticks(entered),
        positions=[(max(plant.cycle - off, 0), plant.cycle + chance.randint(0, 2))],
    )
    unit.step, unit.seen_at = 10, "COUNT"
    unit.kinds.add("count misread")
