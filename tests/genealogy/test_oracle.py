"""Forward and backward against the oracle, on random plants run through the real operations on a real database.

Each example is one plant, rolled back afterwards. `PLANTS=5000` in the environment tries so many of each kind.
The first so many are the same in every run: a share follows from its number.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from copy import deepcopy
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from tests.factories import ticks
from tests.genealogy.asking import lots_in, split, suspect
from tests.genealogy.oracle import Oracle
from tests.genealogy.plantlog import Log
from tests.genealogy.recording import Clock
from tests.genealogy.shop import Shop
from tests.genealogy.world import DEEDS, FAMILIES, FLOOR, FOUND, MATERIAL, REPAIRS, STOCK, UNDONE, World
from trace.core.clock import OPEN
from trace.genealogy.backward import trace_backward
from trace.genealogy.forward import trace_forward
from trace.genealogy.known import as_known
from trace.genealogy.paths import trace_paths
from trace.genealogy.stock import list_stock
from trace.material.models import Container

PLANTS = int(os.environ.get("PLANTS", "10"))
SHARE = 50
"""Plants in one test, so that many are shared out evenly among processes."""

pytestmark = pytest.mark.django_db

Deed = tuple[str, int, int, int]

LATE = {"late", "void", "find"}
BY_COUNT = {"splice", "top_up", "load_head", "counted"}
"""Deeds after which more is known of what was before: then an answer as of a moment is narrower than it was."""


def histories(deeds: list[str], first: Sequence[str] = ()) -> st.SearchStrategy[list[Deed]]:
    """Some fixed deeds and then twenty or so of these."""
    number = st.integers(0, 59)

    def deed(names: st.SearchStrategy[str]) -> st.SearchStrategy[Deed]:
        return st.tuples(names, number, number, number)

    start = st.tuples(*(deed(st.just(name)) for name in first))
    rest = st.lists(deed(st.sampled_from(sorted(deeds))), min_size=6, max_size=16)
    return st.builds(lambda a, b: [*a, *b], start, rest)


def compare(world: World, oracle: Oracle, lots: set[str], boxes: set[str] = frozenset()) -> None:
    """Forward, of one suspicion."""
    answer = split(trace_forward(suspect(*lots, *boxes)))
    assert answer == oracle.suspicion(lots, set(boxes)).answer(), (lots, boxes)


def compare_backward(world: World, oracle: Oracle, key: str) -> None:
    """The lots of one unit, designator by designator; and what forward says of the same."""
    built = trace_backward(world.shop.units[key])
    rules, ever = {}, {}
    for (owner, designator), events in oracle.events.items():
        if owner == key:
            if stand := oracle.standing(events)[0]:
                rules[designator] = set().union(*map(oracle.first_lots, stand))
            ever[designator] = set().union(*map(oracle.first_lots, events))
    assert lots_in(built) == rules
    assert lots_in(built, standing=False) == ever
    inside: set[str | None] = set()
    inside.update(*(found for unit in built.walk() for found in lots_in(unit).values()))
    lots = sorted({box.lot for box in world.log.boxes.values()} - world.log.plant_lots)
    for lot in lots[len(world.done) % 3 :: 3]:
        certain, possible, cleared = split(trace_forward(suspect(lot)))
        if lot in inside:
            assert key in certain | possible, lot
        elif None not in inside:
            assert key not in certain | possible, lot


def compare_earlier(world: World, before: tuple[Log, int, int], lot: str) -> None:
    """As of a moment in the past: what was said then, or narrower where more is known now."""
    log, moment, done = before
    since = set(world.done[done:])
    if since & LATE or lot not in {box.lot for box in log.boxes.values()}:
        return
    if any(world.log.range_of(visit)[0] <= moment for visit in world.log.visits[len(log.visits) :]):
        return  # recorded since, and perhaps from before
    if any(fit.since + fit.error > moment for fits in log.fits.values() for fit in fits):
        return  # perhaps only afterwards
    if any((v.scanned_out or 0) + max(v.error, v.error_out or 0) > moment for v in log.visits):
        return  # this too
    then = Oracle(log).suspicion({lot}, set()).answer()
    now = split(trace_forward(suspect(lot), moment))
    if set(world.done) & BY_COUNT:
        assert now[0] | now[1] <= then[0] | then[1]
        assert then[0] <= now[0]
    else:
        assert now == then


def run(shop: Shop, history: list[Deed], ask: Callable[..., None] = compare) -> World:
    """Play a history, ask now and then on the way, and more at its end."""
    with transaction.atomic():
        world = World(shop)
        before = None
        for index, (deed, a, b, c) in enumerate(history):
            if world.play(deed, a, b, c) and c % 4 == 0:
                lots = sorted({box.lot for box in world.log.boxes.values()})
                ask(world, Oracle(deepcopy(world.log)), {lots[b % len(lots)]})
            if index == len(history) // 2:
                before = deepcopy(world.log), world.now, len(world.done)
        oracle = Oracle(deepcopy(world.log))
        lots, boxes = sorted({box.lot for box in world.log.boxes.values()}), sorted(world.log.boxes)
        last = sum(history[-1][1:])
        for turn in range(3):
            ask(world, oracle, {lots[(last + turn) % len(lots)]})
        ask(world, oracle, {lots[last % len(lots)], lots[(last + 3) % len(lots)]})
        ask(world, oracle, set(), {boxes[last % len(boxes)]})
        if ask is compare:
            used = sorted({unit for unit, _ in oracle.events}) or ["B0"]
            compare_backward(world, oracle, used[last % len(used)])
            if before:
                compare_earlier(world, before, lots[last % len(lots)])
        transaction.set_rollback(True)
    return world


def say(world: World, lots: set[str], boxes: set[str], key: str, at: int) -> tuple[Any, ...]:
    """All that is said of a suspicion and of a unit."""
    population = trace_forward(suspect(*lots, *boxes), at)
    unit = world.shop.units[key]
    paths = sorted(str(path) for path in trace_paths(unit, population))
    return population.carriers, list_stock(population.evidence, at), trace_backward(unit, at), paths


def run_known(shop: Shop, history: list[Deed], clock: Clock) -> World:
    """Play a history and ask on the way, about now and about earlier; at its end ask the same as it was known then."""
    with transaction.atomic():
        world = World(shop)
        asked = []
        for deed, a, b, c in history:
            if world.play(deed, a, b, c) and c % 3 == 0:
                Container.objects.update(store="")  # it is not kept where a container was put
                lots, boxes = sorted({box.lot for box in world.log.boxes.values()}), sorted(world.log.boxes)
                at = OPEN if b % 3 else ticks(1 + a * world.minute / 60)
                question = {lots[b % len(lots)]}, {boxes[a % len(boxes)]}, world.pick(world.shop.units, c + a), at
                asked.append((clock.last, question, say(world, *question)))
        for known, question, said in asked:
            with as_known(known):
                assert say(world, *question) == said, question
        transaction.set_rollback(True)
    return world


KINDS = {
    "plants": histories(DEEDS),
    "feeds": histories(MATERIAL + ["visit"] * 6, ["load", "charge", "visit"]),
    "stock and tapes": histories(STOCK + MATERIAL + FLOOR, ["start_tape", "load_head", "load_head", "visit", "visit"]),
    "repairs": histories(REPAIRS, ["load", "load", "finish", "finish"]),
    "families": histories(FAMILIES, ["load", "finish", "finish", "finish", "child", "child"]),
    "fittings that never were": histories(UNDONE, ["load", *["finish"] * 4, "child", "child"]),
    "children found elsewhere": histories(FOUND, ["load", *["finish"] * 7, "child", "child", "child"]),
}


def play_many(kind: st.SearchStrategy[list[Deed]], first: int, play: Callable[[list[Deed]], object]) -> None:
    """Play a share of a kind's plants: those that follow from the number of its first."""

    @settings(max_examples=min(SHARE, PLANTS - first), suppress_health_check=list(HealthCheck))
    @given(kind)
    def each(history: list[Deed]) -> None:
        play(history)

    # In CI the same in every run, and others in each share; elsewhere others in each run.
    (seed(first)(each) if os.environ.get("CI") else each)()


shares = pytest.mark.parametrize("first", range(0, PLANTS, SHARE))


@shares
@pytest.mark.parametrize("kind", KINDS)
def test_random_plants(shop: Shop, kind: str, first: int) -> None:
    play_many(KINDS[kind], first, lambda history: run(shop, history))


@shares
def test_what_was_known_is_said_again(shop: Shop, clock: Clock, first: int) -> None:
    play_many(histories(DEEDS, ["load", "visit"]), first, lambda history: run_known(shop, history, clock))
