"""The solder bath."""

from __future__ import annotations

import random

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.plant import SimPlant
from trace.demo.simulator.supply import charge
from trace.floor.operations.feeds import dump_bath

HEEL = 0.05


@kind(
    "bath with a heel",
    does="the bath is dumped; a heel of every charge stays, or by luck none; a new charge dilutes it",
    recorded="as dumped and not cleaned",
)
def dump_with_heel(plant: SimPlant, chance: random.Random) -> None:
    if not plant.bath.shares:
        charge(plant, chance)
        plant.wait(chance)
    plant.tell(dump_bath, feed=plant.feeds["WAVE-S"], cleaned=False)
    plant.bath.dump(chance.choice([0.0, HEEL]))
    plant.bath.kinds = {"bath with a heel"}
    plant.wait(chance)
    charge(plant, chance)


@kind("bath topped up", does="a bar more goes into the bath", recorded="at its moment")
def top_up_bath(plant: SimPlant, chance: random.Random) -> None:
    charge(plant, chance)
    plant.bath.kinds.add("bath topped up")
