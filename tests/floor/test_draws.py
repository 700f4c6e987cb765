"""Passes that reach a position are found by index, length class by length class."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.factories import Plant
from trace.core.clock import OPEN
from trace.floor.draws import length_class, passes_meeting
from trace.floor.models import Pass

EDGES = [0, 1, 2, 3, 7, 8, 9, 1023, 1024, 1025, 2**40, OPEN - 1, OPEN]


@given(st.integers(0, OPEN), st.integers(0, OPEN))
def test_a_range_is_shorter_than_its_class_says(first: int, length: int) -> None:
    last = min(first + length, OPEN)
    c = length_class(first, last)
    assert last - first < 2**c and (c == 0 or last - first >= 2 ** (c - 1))


@pytest.mark.django_db
def test_every_pass_that_reaches_a_position_is_found_and_no_other() -> None:
    plant, chance = Plant(), random.Random(1)
    (board,) = plant.boards()
    ranges = [(a, b) for a in EDGES for b in EDGES if a <= b]
    ranges += [(a, a + chance.randint(0, 2 ** chance.randint(0, 50))) for a in chance.sample(range(5000), 200)]
    common = {
        "unit": board,
        "step": plant.board.steps.first(),
        "station": plant.insertion,
        "assembly": plant.board,
        "axis": plant.setup.axis,
        "began": 0,
        "outcome": "passed",
        "by": plant.ann,
        "recorded": 0,
    }
    Pass.objects.bulk_create(Pass(first=a, last=b, length_class=length_class(a, b), **common) for a, b in ranges)
    for position in [*EDGES, *chance.sample(range(5000), 40)]:
        found = Pass.objects.filter(passes_meeting(plant.setup.axis, position)).values_list("first", "last")
        assert sorted(found) == sorted((a, b) for a, b in ranges if b >= position)
