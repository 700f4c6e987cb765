"""What is not free to be used yet: lots before their release, dry packs that lay open for too long."""

from __future__ import annotations

import random
from contextlib import suppress
from decimal import Decimal
from functools import partial
from typing import Any

from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.core.clock import Planned, from_ticks, telling
from trace.demo.simulator.disturbances.feeds import some_place
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import DAY, HOUR
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import inspect, load, put_on, receive
from trace.floor.operations.bags import bake_container, open_bag, seal_bag
from trace.floor.operations.deviations import open_deviation
from trace.floor.operations.feeds import load_feed
from trace.floor.rules import NOT_RELEASED
from trace.material.models import Lot
from trace.material.operations.inspection import release_lot


@kind(
    "used before its release",
    does="a lot is loaded before it is inspected; if it is bad, what is left of it is thrown away, else it is used on",
    recorded="a refusal, the deviation that permits it, the load, what is found, each change at its moment",
)
def used_early(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "bin", takes="RES2")
    lot = plant.new_key("LQ")
    box, _ = (receive(plant, chance, "RES2", lot=lot) for _ in range(2))
    told: dict[str, Any] = {"feed": plant.feeds[place.key], "container": plant.container(box.key)}
    plant.try_to(load_feed, **told, position=plant.position(place.key))
    plant.wait(chance)
    deviation = plant.tell(
        open_deviation,
        key=plant.new_key("DEV"),
        rules=[NOT_RELEASED],
        scope=[f"lot:{lot}"],
        reason="nothing else is left",
        expires=Planned(from_ticks(plant.now + DAY)),
        most=100,
    )
    at = from_ticks(plant.now)
    with telling(at):
        sign(subject=deviation, meaning=Meaning.APPROVED, by=plant.layout.approver, at=at)
    plant.wait(chance)
    plant.tell(load_feed, **told, position=plant.position(place.key))
    put_on(place, box)
    place.kinds.add("used before its release")
    plant.pending.append(partial(_decide, plant, chance.getrandbits(32), lot))


def _decide(plant: SimPlant, seed: int, lot: str) -> None:
    """The lot is inspected. What was set aside of a good one may be used again; of a bad one all is thrown away."""
    chance = random.Random(seed)
    good = chance.random() < 0.5
    inspect(plant, lot, bad=0 if good else 1)
    if good:
        plant.wait(chance)
        plant.tell(release_lot, lot=Lot.objects.get(key=lot), evidence="the sample was good")
    for key, box in plant.boxes.items():
        if plant.lots[key] == lot and box.at is None:
            box.gone = not good
    for place in [] if good else list(plant.places.values()):
        if any(plant.lots[key] == lot for key in place.boxes) and place.left:
            plant.wait(chance)
            with suppress(Skip):  # nothing else may be in store: then the place stays as it is
                load(plant, chance, place.key)


@kind(
    "dry pack lain open",
    does="what lay open for too long is baked before it is loaded, or was sealed again in time",
    recorded="opening and sealing, and a refusal and the bake",
)
def lain_open(plant: SimPlant, chance: random.Random) -> None:
    place = some_place(plant, chance, "slot", "bin", takes="CAP")
    box = receive(plant, chance, "CAP", at=plant.now - 3 * DAY)
    record, opened = plant.container(box.key), plant.now - 2 * DAY
    plant.tell(open_bag, container=record, at=opened)
    told: dict[str, Any] = {"feed": plant.feeds[place.key], "container": record}
    if chance.random() < 0.5:
        plant.tell(seal_bag, container=record, at=opened + 20 * HOUR)
    else:
        plant.try_to(load_feed, **told, position=plant.position(place.key))
        plant.wait(chance)
        heat: dict[str, Any] = {"equipment": plant.layout.oven, "temperature": Decimal(125), "hours": Decimal(12)}
        plant.tell(bake_container, container=record, **heat)
        plant.wait(chance)
    plant.tell(load_feed, **told, position=plant.position(place.key))
    put_on(place, box)
    place.kinds.add("dry pack lain open")
