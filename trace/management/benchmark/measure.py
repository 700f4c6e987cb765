"""Timing: medians of several runs, and what one took beside the other in the same moments."""

from __future__ import annotations

import gc
import os
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import log
from statistics import median
from typing import Any

LONG_ENOUGH = 20.0
"""Seconds after which a measurement makes do with the runs it has (three at least)."""


@dataclass(frozen=True)
class Timing:
    """Seconds of several runs."""

    runs: tuple[float, ...]

    @property
    def median(self) -> float:
        return median(self.runs)

    @property
    def spread(self) -> float:
        """Slowest less fastest, as a share of the median."""
        return (max(self.runs) - min(self.runs)) / self.median

    def as_data(self) -> dict[str, Any]:
        return {
            "median_ms": round(self.median * 1000, 3),
            "fastest_ms": round(min(self.runs) * 1000, 3),
            "spread": round(self.spread, 2),
            "runs": len(self.runs),
        }


def time_together(works: dict[str, Callable[[], object]], repeats: int) -> dict[str, Timing]:
    """Time several works in turn, so that what else the machine does hits them alike. Each is run once before.
    What the benchmark itself keeps in memory, the plan of the whole history, is kept from garbage collection."""
    for work in works.values():
        work()
    gc.collect()
    gc.freeze()
    runs: dict[str, list[float]] = {name: [] for name in works}
    started = time.perf_counter()
    for number in range(repeats):
        if number >= 3 and time.perf_counter() - started > LONG_ENOUGH:
            break
        for name, work in works.items():
            gc.collect()
            begun = time.perf_counter()
            work()
            runs[name].append(time.perf_counter() - begun)
    gc.unfreeze()
    return {name: Timing(tuple(times)) for name, times in runs.items()}


def clock(work: Callable[[], object]) -> float:
    """Seconds that one run took."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def slope(points: list[tuple[float, float]]) -> float | None:
    """The exponent of the power law through points, least squares on logarithms; None of a single point."""
    xs, ys = [log(x) for x, _ in points], [log(y) for _, y in points]
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    width = sum((x - mean_x) ** 2 for x in xs)
    if not width:
        return None
    return sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / width


def memory_now() -> int:
    """Bytes of memory that this process holds."""
    try:
        with open("/proc/self/statm") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
