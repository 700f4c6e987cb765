"""Combined suspicions against the oracle, on random plants: none missed, none falsely certain, none too many."""

from __future__ import annotations

from random import Random

import pytest
from django.db import transaction

from tests.genealogy.asking import split
from tests.genealogy.combining import Asked, Homes, combine
from tests.genealogy.oracle import Oracle
from tests.genealogy.shop import MINUTE, Shop
from tests.genealogy.test_oracle import KINDS, Deed, play_many, run, shares
from tests.genealogy.world import World
from trace.floor.models import Unit
from trace.genealogy.combined import trace_combined
from trace.genealogy.suspicion import Suspicion, Window
from trace.material.models import Container, Lot

pytestmark = [pytest.mark.django_db, pytest.mark.once]


def choose(world: World, chance: Random) -> Asked:
    """One suspicion: of lots, boxes, work, units, or of two of these."""
    log = world.log
    lots, boxes = sorted({box.lot for box in log.boxes.values()}), sorted(log.boxes)
    start = world.now - chance.randrange(30) * MINUTE
    window = (chance.choice(sorted(world.shop.stations)), start, start + (1 + chance.randrange(20)) * MINUTE)
    asked = {
        "lots": frozenset(chance.sample(lots, min(len(lots), 1 + chance.randrange(3)))),
        "boxes": frozenset(chance.sample(boxes, 1)),
        "windows": frozenset([window]),
        "units": frozenset(chance.sample(sorted(log.created), 1 + chance.randrange(3))),
    }
    kinds = chance.choices(list(asked), weights=[5, 2, 3, 2], k=chance.choice([1, 1, 2]))
    return Asked(**{kind: asked[kind] for kind in kinds})


def as_suspicion(world: World, asked: Asked) -> Suspicion:
    return Suspicion(
        frozenset(Lot.objects.filter(key__in=asked.lots).values_list("pk", flat=True)),
        frozenset(Container.objects.filter(key__in=asked.boxes).values_list("pk", flat=True)),
        frozenset(Window(world.shop.stations[key].pk, since, until) for key, since, until in asked.windows),
        units=frozenset(Unit.objects.filter(key__in=asked.units).values_list("pk", flat=True)),
    )


def compare_combined(world: World, oracle: Oracle, lots: set[str], boxes: set[str] = frozenset()) -> None:
    """One combination, chosen by what was done so far."""
    homes = Homes(oracle)
    chance = Random(f"{world.done} {sorted(lots)} {sorted(boxes)}")
    first = Asked(frozenset(lots), frozenset(boxes))
    required = [first, *(choose(world, chance) for _ in range(chance.choice([0, 1, 1, 2])))]
    excepted = [choose(world, chance) for _ in range(chance.choice([0, 1, 1, 2]))]
    wanted = combine(oracle, homes, required, excepted)
    answer = split(
        trace_combined([as_suspicion(world, one) for one in required], [as_suspicion(world, one) for one in excepted])
    )
    said = required, excepted, wanted, answer
    assert not (wanted[0] | wanted[1]) - (answer[0] | answer[1]), ("missed", said)
    assert not answer[0] - wanted[0], ("falsely certain", said)
    assert answer == wanted, said


@shares
@pytest.mark.parametrize("kind", KINDS)
def test_random_plants(shop: Shop, kind: str, first: int) -> None:
    def play(history: list[Deed]) -> None:
        run(shop, history, compare_combined)

    play_many(KINDS[kind], first, play)


def test_combinations_are_met_now_and_then(shop: Shop) -> None:
    """The choice above is no idle one: of a busy plant many combinations have somebody in them, and many nobody."""
    history = (
        [("load", n, n, 1) for n in range(5)]
        + [("finish", n, n, n) for n in range(7)]
        + [("child", n, n, 1) for n in range(4)]
    )
    with transaction.atomic():
        world = World(shop)
        for deed, a, b, c in history:
            world.play(deed, a, b, c)
        oracle, chance = Oracle(world.log), Random(1)
        homes = Homes(oracle)
        answers = [
            combine(oracle, homes, [choose(world, chance), choose(world, chance)], [choose(world, chance)])
            for _ in range(60)
        ]
        transaction.set_rollback(True)
    assert sum(any(answer) for answer in answers) >= 10
    assert sum(not any(answer) for answer in answers) >= 10
