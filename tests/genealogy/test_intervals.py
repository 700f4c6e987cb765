"""The interval algebra against Python's own sets."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from trace.genealogy.intervals import Ranges

pairs = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), max_size=8)
position = st.integers(-2, 32)


def positions(ranges: object) -> set[int]:
    return {p for first, end in ranges for p in range(first, end)}  # type: ignore[attr-defined]


@given(pairs)
def test_ranges_are_the_positions_given_in_one_form(given_pairs: list[tuple[int, int]]) -> None:
    ranges = Ranges(given_pairs)
    assert positions(ranges) == positions(given_pairs)
    kept = list(ranges)
    assert all(first < end for first, end in kept)
    assert all(one[1] < two[0] for one, two in zip(kept, kept[1:], strict=False)), "sorted, disjoint, not touching"
    assert Ranges(reversed(given_pairs)) == ranges
    assert hash(Ranges(kept)) == hash(ranges)
    assert bool(ranges) == bool(positions(ranges))


@given(pairs, pairs)
def test_merge_overlap_and_cut(a: list[tuple[int, int]], b: list[tuple[int, int]]) -> None:
    one, two = Ranges(a), Ranges(b)
    assert positions(one | two) == positions(one) | positions(two)
    assert positions(one & two) == positions(one) & positions(two)
    assert positions(one - two) == positions(one) - positions(two)
    assert (one - two) | (one & two) == one
    assert one | two == two | one


@given(pairs, position, st.integers(0, 8))
def test_meets_and_covers(a: list[tuple[int, int]], first: int, length: int) -> None:
    ranges, asked = Ranges(a), set(range(first, first + length + 1))
    assert ranges.meets(first, first + length) == bool(positions(ranges) & asked)
    assert ranges.covers(first, first + length) == (asked <= positions(ranges))


def test_ranges_equal_nothing_else() -> None:
    assert Ranges([(1, 2)]) != [(1, 2)]
    assert repr(Ranges([(1, 2), (2, 4)])) == "Ranges([(1, 4)])"
