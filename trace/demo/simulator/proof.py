"""Many plants, each asked many questions: the proof that nothing is missed, and nothing called certain that is not."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from django.db import transaction

from trace.core.clock import OPEN
from trace.core.errors import Refusal
from trace.demo.simulator.disturbances import KINDS
from trace.demo.simulator.disturbances.changes import tell_pending
from trace.demo.simulator.disturbances.stock import verify
from trace.demo.simulator.families import assemble, order_assemblies, scrap, ship
from trace.demo.simulator.layout import Layout, lay_out
from trace.demo.simulator.narrowest import Narrowest
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.shrinking import shrink
from trace.demo.simulator.supply import clear, receive, stock_up
from trace.demo.simulator.truth import Fault, Tally, judge_backward, judge_left, judge_question, questions, weigh
from trace.demo.simulator.work import carry_on, work

ORDINARY: dict[str, Callable[[SimPlant, random.Random], object]] = {
    "carry on": carry_on,
    "work": work,
    "assemble": assemble,
    "order assemblies": order_assemblies,
    "ship": ship,
    "receive": lambda plant, chance: receive(plant, chance, chance.choice(["RES", "CAP"])),
    "verify": verify,
    "clear": clear,
    "scrap": scrap,
    "record what waits": lambda plant, chance: tell_pending(plant),
}
SHIFT = [*["carry on"] * 12, *["work"] * 3, *["assemble"] * 3, "order assemblies", "ship", "receive", "verify",
         "clear", "scrap", *["record what waits"] * 2]  # fmt: skip


@dataclass(frozen=True)
class Deed:
    """One thing that happens in a plant: what, and the seed of every choice in it. Left out, the others still make
    sense."""

    name: str
    seed: int


@dataclass(frozen=True)
class Size:
    """How large the plants are: ordinary deeds, and how often each disturbance comes."""

    ordinary: int = 50
    disturbances: int = 24


SIZES = {"small": Size(25, 8), "medium": Size(50, 24), "large": Size(150, 80)}


def plan(seed: int, size: Size, kinds: Sequence[str] = ()) -> list[Deed]:
    """The deeds of one plant, in order. Disturbances, all or of these kinds, come in turn from plant to plant, so that
    none is left out."""
    chance = random.Random(f"plan {seed}")
    kinds = kinds or sorted(KINDS)
    first = seed * size.disturbances
    names = chance.choices(SHIFT, k=size.ordinary)
    for number in range(size.disturbances):
        names.insert(chance.randint(len(names) // 5, len(names)), kinds[(first + number) % len(kinds)])
    return [Deed(name, chance.getrandbits(32)) for name in names]


def play(layout: Layout, deeds: Sequence[Deed]) -> SimPlant:
    """The plant at the end of these deeds, with all recorded that somebody still had to record."""
    plant = SimPlant(layout=layout)
    plant.wait(random.Random(0))
    stock_up(plant, random.Random(0))
    for number, deed in enumerate(deeds):
        chance = random.Random(deed.seed)
        plant.wait(chance, 10, 180)
        plant.say(f"— {deed.name}")
        try:
            (KINDS[deed.name].play if deed.name in KINDS else ORDINARY[deed.name])(plant, chance)
            plant.played[deed.name] += 1
        except (Skip, Refusal):
            pass
        if number % 12 == 11:
            plant.remember()
    plant.wait(random.Random(0))
    tell_pending(plant)
    return plant


def judge(plant: SimPlant, seed: int) -> Tally:
    """Everything that one plant is asked."""
    chance = random.Random(f"ask {seed}")
    tally = Tally(plants=1, played=plant.played, refused=plant.refused)
    reasoning = Narrowest(plant)
    for question in questions(plant, chance):
        carriers, certain, possible = judge_question(plant, question, tally)
        if question.at == OPEN:
            weigh(plant, reasoning, question, carriers, certain | possible, tally)
    units = sorted(plant.units)
    for key in chance.sample(units, min(8, len(units))):
        judge_backward(plant, plant.units[key], tally)
    judge_left(plant, tally)
    return tally


@dataclass(frozen=True)
class Verdict:
    """One plant judged: its tally; where something was wrong, the faults and story of the smallest plant found that
    still shows one, and of how many deeds that is."""

    seed: int
    tally: Tally
    story: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    smallest: int = 0


def try_plant(layout: Layout, seed: int, deeds: Sequence[Deed]) -> tuple[Tally, SimPlant]:
    """Play one plant, judge it, and leave no trace of it."""
    with transaction.atomic():
        plant = play(layout, deeds)
        tally = judge(plant, seed)
        tally.deeds = len(deeds)
        transaction.set_rollback(True)
    return tally, plant


def make_small(layout: Layout, seed: int, deeds: Sequence[Deed], what: str) -> Verdict:
    """The fewest deeds found that still show a fault of this kind, with their story."""
    faulty: list[tuple[Tally, SimPlant]] = []

    def fails(fewer: Sequence[Deed]) -> bool:
        tally, plant = try_plant(layout, seed, fewer)
        if shown := any(fault.what == what for fault in tally.faults):
            faulty.append((tally, plant))
        return shown

    smallest = shrink(deeds, fails)
    tally, plant = faulty[-1] if faulty else try_plant(layout, seed, deeds)
    return Verdict(seed, tally, tuple(plant.story), tuple(tally.faults), len(smallest))


def prove(seeds: Sequence[int], size: Size, *, small: bool = True) -> Iterator[Verdict]:
    """Try so many plants on the database at hand, which stays as it was. `small`: make those with a fault small."""
    with transaction.atomic():
        layout = lay_out()
        for seed in seeds:
            deeds = plan(seed, size)
            tally, plant = try_plant(layout, seed, deeds)
            verdict = Verdict(seed, tally, tuple(plant.story), tuple(tally.faults), len(deeds))
            if tally.faults and small:
                verdict = replace(make_small(layout, seed, deeds, tally.faults[0].what), tally=tally)
            yield verdict
        transaction.set_rollback(True)


def lacking(tally: Tally, least: int = 1) -> list[str]:
    """Kinds of disturbance that changed fewer answers than that: of them the run has proved nothing."""
    return [name for name in KINDS if tally.changed[name] < least]
