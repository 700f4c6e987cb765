"""Mean time between failures from sample tests: what the hours run and the failures seen say, and how surely.

In a test of constant failure rate the number of failures is Poisson. A bound of the MTBF is the total time over the
mean number at which so few failures, or so many, would be seen by chance only so often. That mean is half a quantile of
chi-square, 2(r + 1) or 2r degrees of freedom, as the handbooks write the bound: NIST/SEMATECH e-Handbook, 8.4.5.1.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from math import exp, fsum, inf, lgamma, log

from trace.core.clock import to_ticks
from trace.floor.models import Counted, Sample, SampleEntry

CONFIDENCES = (60, 80, 90, 95)
"""How sure a bound is, in percent."""

SIDES = {"one": "one-sided", "two": "two-sided"}


@dataclass(frozen=True)
class Bounds:
    """Hours between failures, at least and at most; infinite where nothing failed, or a bound of one side is asked."""

    lower: float
    upper: float = inf


def bound_mtbf(
    hours: float, failures: int, confidence: int, *, two_sided: bool = False, by_failure: bool = False
) -> Bounds:
    """Bounds of the MTBF after so many hours in all and so many failures, each replaced or repaired.

    `confidence` in percent: one-sided of the lower bound alone; two-sided, what is left over is shared by both sides.
    `by_failure`: the test ended with its last failure, else at a time. ValueError where nothing ran, or a test ended by
    a failure had none.
    """
    if hours <= 0 or failures < 0 or by_failure and not failures or not 0 < confidence < 100:
        raise ValueError("There is nothing to reckon from.")
    alpha = (1 - confidence / 100) / (2 if two_sided else 1)
    most = _find_mean(lambda mean: at_most(failures - by_failure, mean) > alpha)
    lower = hours / most
    if not two_sided or not failures:
        return Bounds(lower)
    return Bounds(lower, hours / _find_mean(lambda mean: at_most(failures - 1, mean) > 1 - alpha))


def at_most(number: int, mean: float) -> float:
    """How likely a Poisson number of this mean is to be no more than `number`."""
    return fsum(exp(n * log(mean) - mean - lgamma(n + 1)) for n in range(number + 1)) if mean else 1.0


def _find_mean(too_small: Callable[[float], bool]) -> float:
    """The mean from which on it is no more too small: to the last bit, by halving."""
    low, high = 0.0, 1.0
    while too_small(high):
        low, high = high, high * 2
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if too_small(middle) else (low, middle)
    return high


@dataclass(frozen=True)
class Run:
    """What samples of a part number ran in a test in some time: how many units, hours in all, failures. `by_failure`:
    each test ended with a failure, and none is running."""

    number: str
    test: str
    units: int
    hours: Decimal
    failures: int
    by_failure: bool

    @property
    def mtbf(self) -> Decimal | None:
        """The point estimate; None where nothing failed."""
        return self.hours / self.failures if self.failures else None


def list_runs(since: datetime, until: datetime, number: str = "") -> list[Run]:
    """What the samples of a part number, or of each, ran from one moment to before another, test by test."""
    first, last = to_ticks(since), to_ticks(until)
    entries = SampleEntry.objects.filter(sample__kind=Counted.HOURS, superseded=None, at__lt=last)
    entries = entries.filter(sample__unit__part__number=number) if number else entries
    by_sample: dict[int, list[SampleEntry]] = defaultdict(list)
    for entry in entries.order_by("at", "pk"):
        by_sample[entry.sample_id].append(entry)
    samples = Sample.objects.filter(pk__in=by_sample).select_related("unit__part").order_by("pk")
    by_test: dict[tuple[str, str], list[Sample]] = defaultdict(list)
    for sample in samples:
        if by_sample[sample.pk][-1].at >= first:
            by_test[sample.unit.part.number, sample.test].append(sample)
    return [_sum_up(*key, some, by_sample, first, last) for key, some in sorted(by_test.items())]


def _sum_up(
    number: str, test: str, samples: list[Sample], entries: dict[int, list[SampleEntry]], first: int, last: int
) -> Run:
    hours = failures = Decimal(0)
    by_failure = True
    for sample in samples:
        before = max((one.done for one in entries[sample.pk] if one.at < first), default=Decimal(0))
        final = entries[sample.pk][-1]
        hours += final.done - before
        failures += sum(bool(one.failure) for one in entries[sample.pk] if one.at >= first)
        by_failure = by_failure and sample.ended is not None and sample.ended < last and bool(final.failure)
    return Run(number, test, len(samples), hours, int(failures), by_failure)


def say_mtbf(run: Run, confidence: int, sides: str) -> str:
    """In words: what ran and failed, the estimate, and how surely it is bounded."""
    failed = {0: "no failure", 1: "1 failure"}.get(run.failures, f"{run.failures} failures")
    units = "1 unit" if run.units == 1 else f"{run.units} units"
    ran = f"{run.test} of {run.number}: {units} ran {say_hours(float(run.hours))} in all, with {failed}."
    if not run.hours:
        return f"{ran} Nothing can be said of its MTBF yet."
    bounds = bound_mtbf(float(run.hours), run.failures, confidence, two_sided=sides == "two", by_failure=run.by_failure)
    estimate = f" MTBF {say_hours(float(run.mtbf))}," if run.mtbf is not None else " MTBF"
    between = f"at least {say_hours(bounds.lower)}"
    if bounds.upper < inf:
        between = f"between {say_hours(bounds.lower)} and {say_hours(bounds.upper)}"
    ended = "failure-terminated" if run.by_failure else "time-terminated"
    return f"{ran}{estimate} {between} with {confidence} % confidence, {SIDES[sides]} ({ended})."


def say_hours(hours: float) -> str:
    """Hours to three figures and more: whole from 100 on."""
    return f"{hours:,.0f} h".replace(",", "\u202f") if hours >= 100 else f"{hours:.1f} h"
