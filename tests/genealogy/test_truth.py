"""A small plant in which every part is tracked beside the records: forward and backward never lose the truth.

The plant records what a plant would: changes within a range of time, splices by lead and tolerance, top-ups, remainders
taken off under a new label, merges, parts salvaged. What really went into each designator stays with the test.
"""

from __future__ import annotations

import random

import pytest
from django.db import transaction

from tests.factories import Plant, ticks
from tests.genealogy.asking import ask, lots_of
from trace.floor.models import Unit
from trace.floor.operations.feeds import load_feed, splice_feed, take_off_feed, top_up_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.stores import merge_containers, split_container
from trace.material.models import Container

pytestmark = pytest.mark.django_db

LOTS = ["X", "Y", "Z"]
DEEDS = [*["board"] * 4, *["change"] * 2, "splice", "top_up", "take_off", "merge", "split", "salvage"]


class TrackedPlant:
    """`content` is what really is in each container, `feed` what lies at the pick-up, `inside` what is in a place."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.plant = Plant()
        self.minute = 0.0
        self.content: dict[str, list[str]] = {}
        self.feed: list[str] = []
        self.on_feed: str | None = None
        self.inside: dict[tuple[str, str], str] = {}
        self.units: list[Unit] = []
        self.late: tuple[str, float] | None = None
        for number, lot in enumerate(LOTS * 3):
            key = f"{lot}{number}"
            self.plant.reel(key, lot=lot, quantity=9)
            self.content[key] = [lot] * 9

    def do(self, operation, **arguments):
        return self.plant.do(operation, self.minute, **arguments)

    def container(self, key: str) -> Container:
        return Container.objects.select_related("lot", "part").get(key=key)

    def stored(self) -> str | None:
        free = sorted(key for key, parts in self.content.items() if parts and key != self.on_feed)
        return self.chance.choice(free) if free else None

    def step(self) -> None:
        self.minute += 1
        name = self.chance.choice(DEEDS)
        if self.late and name not in ("board", "salvage"):
            self.record_late()
        else:
            getattr(self, name)()

    def put_on(self, key: str) -> None:
        self.feed, self.content[key], self.on_feed = list(self.content[key]), [], key

    def change(self) -> None:
        key = self.stored()
        if key is None:
            return
        self.put_on(key)
        if self.chance.random() < 0.5:
            self.late = key, self.minute - 0.5
        else:
            self.do(load_feed, feed=self.plant.slot_r, container=self.container(key))

    def record_late(self) -> None:
        """Only now does somebody record a change, which was some time since `begun`."""
        assert self.late
        key, begun = self.late
        self.late = None
        where = (ticks(begun), ticks(self.minute))
        self.do(load_feed, feed=self.plant.slot_r, container=self.container(key), position=where)

    def splice(self) -> None:
        key = self.stored()
        if key is None or not self.on_feed:
            return
        lead, tolerance = min(len(self.feed), self.chance.randrange(6)), self.chance.randrange(3)
        self.feed = self.feed[:lead] + self.content[key]
        self.content[key], self.on_feed = [], key
        said = max(lead + self.chance.randint(-tolerance, tolerance), 0)
        container = self.container(key)
        self.do(splice_feed, feed=self.plant.slot_r, container=container, lead=said, tolerance=tolerance)

    def top_up(self) -> None:
        key = self.stored()
        if key is None or not self.on_feed:
            return
        poured, self.content[key] = self.content[key][:4], self.content[key][4:]
        left = len(self.feed)
        self.feed += poured
        self.chance.shuffle(self.feed)
        counts = {"quantity": len(poured) + 1, "left": left + 1} if self.chance.random() < 0.5 else {}
        self.do(top_up_feed, feed=self.plant.slot_r, container=self.container(key), **counts)

    def take_off(self) -> None:
        if not self.feed or not self.on_feed:
            return
        label = f"REST-{self.minute:.0f}"
        self.do(take_off_feed, feed=self.plant.slot_r, label=label)
        self.content[label], self.feed, self.on_feed = self.feed, [], None

    def merge(self) -> None:
        one, two = self.stored(), self.stored()
        if one and two and one != two:
            self.do(merge_containers, sources=[self.container(one)], into=self.container(two))
            self.content[two] += self.content[one]
            self.chance.shuffle(self.content[two])
            self.content[one] = []

    def split(self) -> None:
        key = self.stored()
        if key and len(self.content[key]) > 2:
            label = f"SPLIT-{self.minute:.0f}"
            self.do(split_container, source=self.container(key), key=label)
            self.content[label], self.content[key] = self.content[key][:2], self.content[key][2:]

    def board(self) -> None:
        if len(self.feed) < 2:
            return
        (unit,) = self.plant.boards(minute=self.minute)
        self.plant.run(unit, self.plant.insertion, self.minute, self.minute + 0.4)
        self.units.append(unit)
        for designator in self.chance.sample(["R1", "R2"], 2):
            self.inside[unit.key, designator] = self.feed.pop(0)

    def salvage(self) -> None:
        """A part is taken out of one board and, a little later, fitted to another."""
        places = sorted(self.inside)
        if len(self.units) < 2 or not places:
            return
        unit, designator = self.chance.choice(places)
        by_key = {u.key: u for u in self.units}
        label = f"KEPT-{self.minute:.0f}"
        lot = self.inside.pop((unit, designator))
        self.do(remove_part, unit=by_key[unit], designator=designator, reason="reused", salvage=label)
        self.minute += 0.2
        other = self.chance.choice(sorted(by_key))
        where = self.chance.choice(["R1", "R2"])
        kept = self.container(label)
        self.do(fit_part, unit=by_key[other], designator=where, container=kept, reason="replaced")
        self.inside[other, where] = lot


@pytest.mark.parametrize("seed", range(24))
def test_the_truth_is_never_lost(seed: int) -> None:
    with transaction.atomic():
        tracked = TrackedPlant(random.Random(seed))
        for _ in range(36):
            tracked.step()
        if tracked.late:
            tracked.minute += 1
            tracked.record_late()
        assert len(tracked.units) > 2
        for lot in LOTS:
            carriers = {unit for (unit, _), inside in tracked.inside.items() if inside == lot}
            certain, possible, _ = ask(lot)
            assert carriers <= certain | possible, f"{lot}: carriers missed"
            assert certain <= carriers, f"{lot}: certain, and no carriers"
        for unit in tracked.units:
            found = lots_of(unit)
            for designator in ("R1", "R2"):
                if (truth := tracked.inside.get((unit.key, designator))) is not None:
                    assert truth in found[designator], (unit.key, designator)
