"""How well and how fast a line works, from what was counted there. No database, no clock.

Which passes count: those that are not void and not superseded, at the moment at which they closed. A unit's **first
try** of a step is the earliest of them; the step's **first-pass yield** is how many of the first tries passed. A try
that failed or was aborted counts against it, whatever becomes of the unit. Shares are exact, so that one that lies on
a limit is not below it.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from math import prod
from typing import TypeVar

K = TypeVar("K", bound=Hashable)
MILLION = 1_000_000


def yield_of(right: int, tried: int) -> Fraction | None:
    """The share that was right; None where nothing was tried."""
    return Fraction(right, tried) if tried else None


def is_below(share: Fraction | None, limit: Decimal | None) -> bool:
    """Whether a share is known to be below a limit in percent."""
    return share is not None and limit is not None and share * 100 < Fraction(limit)


def rolled_yield(yields: Iterable[Fraction | None]) -> Fraction | None:
    """The chance to go through all steps right the first time: the product of their yields. A step that nobody tried
    says nothing; None where none was tried."""
    known = [one for one in yields if one is not None]
    return prod(known, start=Fraction(1)) if known else None


def defects_per_million(defects: int, units: int, opportunities: int = 1) -> Fraction | None:
    """Defects per million opportunities, of units that each have so many."""
    return Fraction(defects * MILLION, units * opportunities) if units else None


def takt(available: timedelta, to_build: Fraction) -> timedelta | None:
    """The time that there is for each unit; None where there is nothing to build, or no time."""
    return available / float(to_build) if to_build and available else None


def lead_time(in_process: int, done: int, worked: timedelta) -> timedelta | None:
    """How long a unit takes through, by Little's law: work in process over throughput, which is what was done in the
    time worked. None where nothing was done."""
    return worked * in_process / done if done else None


def due_by_now(to_build: int, worked: timedelta, available: timedelta) -> int:
    """How many whole units are to be done after this much of the time available, built at an even pace."""
    return to_build * worked // available if available else 0


def middle(counted: Iterable[tuple[int, int]]) -> int | None:
    """The median of values that each occur so many times, the lower of the two where there are two; None of none."""
    ordered = sorted(counted)
    half, seen = sum(times for _, times in ordered), 0
    for value, times in ordered:
        seen += times
        if 2 * seen >= half:
            return value
    return None


def find_slowest(cycles: Mapping[K, timedelta], loads: Mapping[K, Fraction]) -> K | None:
    """Whose pace is that of the line, where units stop at each station: that which needs the longest for all units that
    come by, each of which takes it so long. None where no time is known, the first of several alike."""
    return max((one for one in cycles if loads.get(one)), key=lambda one: cycles[one] * float(loads[one]), default=None)


def spread(stations: Sequence[int], every: int | None) -> Fraction:
    """Which share of the units that come to a step each of its stations has, where one in `every` is done there."""
    return Fraction(1, len(stations) * (every or 1))
