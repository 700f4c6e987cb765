"""Yields and flow against published values and textbook exercises."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from math import isclose, prod
from statistics import median_low

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.quality.rules import (
    defects_per_million,
    due_by_now,
    find_slowest,
    is_below,
    lead_time,
    middle,
    rolled_yield,
    spread,
    takt,
    yield_of,
)

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)

# R package SixSigma 0.11.1 (CRAN), ss.ca.yield: defects, rework, opportunities; its formula and its figures.
DEFECTS, REWORK, UNITS = (3, 5, 12), (1, 2, 4), 1915


def test_yields_of_the_six_sigma_package() -> None:
    final = yield_of(UNITS - sum(DEFECTS), UNITS)
    first_time = yield_of(UNITS - sum(DEFECTS) - sum(REWORK), UNITS)
    steps = [yield_of(UNITS - d - r, UNITS) for d, r in zip(DEFECTS, REWORK, strict=True)]
    assert final and isclose(final, 0.9895561358, abs_tol=5e-11)
    assert first_time and isclose(first_time, 0.9859007833, abs_tol=5e-11)
    assert isclose(rolled_yield(steps) or 0, 0.9859563474, abs_tol=5e-11)
    assert isclose(defects_per_million(sum(DEFECTS), UNITS) or 0, 10_443.864, abs_tol=5e-4)


def test_five_steps_multiply() -> None:
    """The product, written out: .98 × .95 × .99 × .97 × .96 = .8582777280."""
    steps = [Fraction(percent, 100) for percent in (98, 95, 99, 97, 96)]
    assert rolled_yield(steps) == Fraction("0.8582777280")


def test_what_nobody_tried_says_nothing() -> None:
    assert yield_of(0, 0) is None and defects_per_million(0, 0) is None
    assert rolled_yield([None, Fraction(9, 10), None]) == Fraction(9, 10)
    assert rolled_yield([None]) is None and rolled_yield([]) is None


@given(st.lists(st.fractions(0, 1), min_size=1, max_size=8))
def test_the_rolled_yield_is_no_better_than_the_worst_step(yields: list[Fraction]) -> None:
    rolled = rolled_yield(yields)
    assert rolled is not None and 0 <= rolled <= min(yields) and rolled == prod(yields)


@pytest.mark.parametrize(
    ("in_process", "done", "worked", "takes"),
    [
        # Little's law in textbook exercises on factory physics: five in process at one a minute take five minutes;
        # 3,000 in process at 600 a day take five days, at six a day five hundred.
        (5, 1, MINUTE, 5 * MINUTE),
        (3_000, 600, timedelta(days=1), timedelta(days=5)),
        (3_000, 6, timedelta(days=1), timedelta(days=500)),
        (500, 5, timedelta(days=1), timedelta(days=100)),
    ],
)
def test_littles_law(in_process: int, done: int, worked: timedelta, takes: timedelta) -> None:
    assert lead_time(in_process, done, worked) == takes


def test_no_lead_time_where_nothing_was_done() -> None:
    assert lead_time(5, 0, MINUTE) is None


def test_takt_is_the_time_available_over_what_is_to_be_built() -> None:
    """From memory, the usual classroom example: 27,000 s of a shift for 450 units are 60 s for each."""
    assert takt(27_000 * SECOND, Fraction(450)) == 60 * SECOND
    assert takt(27_000 * SECOND, Fraction(0)) is None and takt(timedelta(), Fraction(450)) is None


def test_what_is_due_by_now_grows_with_the_time_worked() -> None:
    assert [due_by_now(450, minutes * MINUTE, 450 * MINUTE) for minutes in (0, 1, 225, 450)] == [0, 1, 225, 450]
    assert due_by_now(10, 59 * MINUTE, 600 * MINUTE) == 0  # a unit is due when its time is over
    assert due_by_now(10, timedelta(), timedelta()) == 0


def test_a_share_on_its_limit_is_not_below_it() -> None:
    assert not is_below(Fraction(97, 100), Decimal("97.00"))
    assert is_below(Fraction(9699, 10000), Decimal("97.00"))
    assert not is_below(None, Decimal(97)) and not is_below(Fraction(0), None)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 5)), min_size=1))
def test_the_middle_is_the_median_of_all_that_were_counted(counted: list[tuple[int, int]]) -> None:
    assert middle(counted) == median_low([value for value, times in counted for _ in range(times)])


def test_the_slowest_needs_the_longest_for_all_that_come_by() -> None:
    cycles = {"A": 50 * SECOND, "B": 74 * SECOND, "C": 90 * SECOND, "D": 500 * SECOND}
    loads = {"A": Fraction(1), "B": Fraction(1), "C": spread([3, 4], None), "D": spread([5], 10)}
    assert find_slowest(cycles, loads) == "B"  # C is one of two stations for its step, D tests one unit in ten
    assert find_slowest({}, loads) is None and find_slowest(cycles, {}) is None and middle([]) is None
