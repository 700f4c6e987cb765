"""The floor life of what is in a container, as a fold over what was done with its dry pack."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.core.clock import OPEN
from trace.engineering.moisture import DAMP_CABINET, DRY_CABINET, DRY_PACK, FLOOR_LIFE, STOPS
from trace.material.floor_life import HOUR, UNKNOWN, Deed, FloorClock, reckon_exposure


def test_floor_lives_are_those_of_the_standard() -> None:
    """J-STD-020 by its public summaries (common practice), floor life at 30 °C and 60 % RH at most: 1 year, 4
    weeks, 168, 72, 48, 24 hours; level 1 unlimited, level 6 as on the label and baked before use."""
    assert FLOOR_LIFE == {
        "1": None, "2": 8760, "2a": 672, "3": 168, "4": 72, "5": 48, "5a": 24, "6": None,
    }  # fmt: skip


def test_what_stops_a_clock_depends_on_the_level() -> None:
    """From memory of J-STD-033: up to 10 % RH pauses levels 2, 2a and 3; up to 5 % is as good as a dry pack."""
    assert STOPS[DRY_PACK] == STOPS[DRY_CABINET] == set(FLOOR_LIFE)
    assert {"2", "2a", "3"} == STOPS[DAMP_CABINET] - {"1"}


def at(deeds: list[tuple[float, str]], hour: float, used: int = 0) -> tuple[float, bool]:
    found = reckon_exposure([Deed(int(when * HOUR), act) for when, act in deeds], int(hour * HOUR), used)
    return found.used / HOUR, found.running


@pytest.mark.parametrize(
    ("deeds", "hour", "used", "running"),
    [
        ([], 99, 0, False),
        ([(1, "opened")], 0, 0, False),
        ([(1, "opened")], 1, 0, True),
        ([(1, "opened")], 5, 4, True),
        ([(1, "opened"), (3, "sealed")], 9, 2, False),
        ([(1, "opened"), (3, "sealed"), (9, "opened")], 10, 3, True),
        ([(1, "opened"), (3, "opened")], 5, 4, True),  # scanned twice
        ([(1, "opened"), (3, "sealed"), (4, "sealed")], 9, 2, False),
        ([(1, "opened"), (3, "baked")], 5, 2, True),  # out of the oven it lies open
        ([(1, "opened"), (3, "baked"), (4, "sealed")], 50, 1, False),
        ([(3, "sealed"), (1, "opened")], 9, 2, False),  # recorded late
    ],
)
def test_a_clock_runs_while_it_lies_open(deeds, hour, used, running) -> None:
    assert at(deeds, hour) == (used, running)


def test_what_is_filled_in_brings_its_own_time_and_the_worst_counts() -> None:
    deeds = [Deed(2 * HOUR, "opened"), Deed(5 * HOUR, "filled", used=30 * HOUR), Deed(6 * HOUR, "filled", used=1)]
    assert reckon_exposure(deeds, 8 * HOUR).used == 33 * HOUR
    assert reckon_exposure(deeds[::2], 8 * HOUR).used == 6 * HOUR


def test_what_nobody_knows_is_too_long_until_it_is_baked() -> None:
    assert reckon_exposure([], HOUR, UNKNOWN).used == UNKNOWN
    assert reckon_exposure([Deed(1, "opened")], HOUR, UNKNOWN).used == UNKNOWN
    assert reckon_exposure([Deed(HOUR, "baked")], 2 * HOUR, UNKNOWN).used == HOUR


def test_at_exactly_its_floor_life_it_may_be_used() -> None:
    life = 168 * HOUR
    exactly = FloorClock(life + 5, life, life, True)
    assert (exactly.over, exactly.remaining, exactly.ends) == (False, 0, life + 5)
    past = FloorClock(life + 6, life, life + 1, True)
    assert (past.over, past.remaining, past.ends) == (True, 0, life + 5)
    stands = FloorClock(9, life, 5, False)
    assert (stands.over, stands.remaining, stands.ends) == (False, life - 5, None)
    assert FloorClock(9, life, UNKNOWN, False).ends == 0


DEEDS = st.lists(st.tuples(st.integers(0, 400), st.sampled_from(["opened", "sealed", "baked"])), max_size=12)


@given(DEEDS, st.integers(0, 500), st.sampled_from([24, 168, OPEN // HOUR]))
def test_what_remains_is_never_below_none_and_falls_only_while_it_lies_open(deeds, since, hours) -> None:
    """Told hour by hour by a second reckoning that steps through the hours."""
    done = [Deed(when * HOUR, act, recorded=number) for number, (when, act) in enumerate(deeds)]
    used, running, life = 0, False, hours * HOUR
    before = None
    for hour in range(since + 1):
        used += running
        for _, act in sorted(((n, a) for n, (when, a) in enumerate(deeds) if when == hour)):
            running, used = act != "sealed", 0 if act == "baked" else used
        found = reckon_exposure(done, hour * HOUR)
        assert (found.used, found.running) == (used * HOUR, running)
        clock = FloorClock(hour * HOUR, life, found.used, found.running)
        assert 0 <= clock.remaining <= life
        baked = any(when == hour and act == "baked" for when, act in deeds)
        if before is not None and not baked:
            assert clock.remaining == max(0, before.remaining - (HOUR if before.running else 0))
        before = clock
