"""Sets of positions on an axis, as disjoint half-open ranges, and their algebra."""

from __future__ import annotations

from collections.abc import Iterable, Iterator


class Ranges:
    """A set of whole positions, kept as sorted, disjoint, non-touching ranges `first <= p < end`.

    `a | b` merges, `a & b` is the overlap, `a - b` cuts; ranges that are empty vanish.
    """

    __slots__ = ("_ranges",)

    def __init__(self, ranges: Iterable[tuple[int, int]] = ()) -> None:
        merged: list[tuple[int, int]] = []
        for first, end in sorted([r for r in ranges if r[0] < r[1]]):
            if merged and first <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
            else:
                merged.append((first, end))
        self._ranges = tuple(merged)

    @classmethod
    def single(cls, first: int, end: int) -> Ranges:
        """The one range `first <= p < end`, not empty: made of every unit of a population, so made fast."""
        ranges = cls.__new__(cls)
        ranges._ranges = ((first, end),)
        return ranges

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self._ranges)

    def __bool__(self) -> bool:
        return bool(self._ranges)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Ranges) and self._ranges == other._ranges

    def __hash__(self) -> int:
        return hash(self._ranges)

    def __repr__(self) -> str:
        return f"Ranges({list(self._ranges)})"

    def __or__(self, other: Ranges) -> Ranges:
        return self if self._ranges == other._ranges else Ranges((*self, *other))

    def __and__(self, other: Ranges) -> Ranges:
        mine, theirs = list(self), list(other)
        overlap = []
        i = j = 0
        while i < len(mine) and j < len(theirs):
            overlap.append((max(mine[i][0], theirs[j][0]), min(mine[i][1], theirs[j][1])))
            if mine[i][1] < theirs[j][1]:
                i += 1
            else:
                j += 1
        return Ranges(overlap)

    def __sub__(self, other: Ranges) -> Ranges:
        rest = []
        cuts = list(other)
        j = 0
        for first, end in self:
            while j < len(cuts) and cuts[j][1] <= first:
                j += 1
            k = j
            while k < len(cuts) and cuts[k][0] < end:
                rest.append((first, cuts[k][0]))
                first = max(first, cuts[k][1])
                k += 1
            rest.append((first, end))
        return Ranges(rest)

    def meets(self, first: int, last: int) -> bool:
        """Whether any position of `first..last`, both ends included, is in the set."""
        return any(start <= last and end > first for start, end in self)

    def covers(self, first: int, last: int) -> bool:
        """Whether every position of `first..last`, both ends included, is in the set."""
        return any(start <= first and last < end for start, end in self)
