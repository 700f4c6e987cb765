"""Spoiled and reworked units in a job's cost: what is normal, what is a loss. Pure sums of Decimals.

The rules and figures are those of Horngren, Cost Accounting (2018), job costing: spoilage is normal where it comes with
the process even as it should run, common to all jobs or due to the demands of one; the rest is abnormal, and lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from trace.costing.rules import ZERO


class Spoilage(StrEnum):
    """Why units of a job are spoiled, which says who bears it."""

    COMMON = "normal, common to all jobs"
    OF_JOB = "normal, due to this job"
    ABNORMAL = "abnormal"


@dataclass(frozen=True)
class JobCost:
    """What a job costs: the amount that is left on it, what its good units cost each, and what is lost beside it."""

    on_job: Decimal
    good: int
    lost: Decimal = ZERO

    @property
    def each(self) -> Decimal:
        return self.on_job / self.good


def find_normal_rate(normal: int, good: int) -> Decimal:
    """Normal spoilage by good units, not by units started: these include what is spoiled."""
    return Decimal(normal) / good


def split_spoiled(spoiled: Decimal, good: Decimal, normal_rate: Decimal) -> tuple[Decimal, Decimal]:
    """(normal, abnormal) of the spoiled units: so many as the rate allows for the good ones, and what is more."""
    normal = min(spoiled, normal_rate * good)
    return normal, spoiled - normal


def cost_spoilage(
    kind: Spoilage, started: int, spoiled: int, each: Decimal, disposal: Decimal, overhead_per_good: Decimal = ZERO
) -> JobCost:
    """A job's cost, `started` at `each`, where `spoiled` of them were sold off for `disposal` each.

    Common normal spoilage leaves the job with its overhead, in which it is reckoned for every good unit
    (`overhead_per_good`); of the job's own, the job keeps the net loss; abnormal, the net loss is lost.
    """
    good, net = started - spoiled, spoiled * (each - disposal)
    match kind:
        case Spoilage.COMMON:
            return JobCost(good * (each + overhead_per_good), good)
        case Spoilage.OF_JOB:
            return JobCost(started * each - spoiled * disposal, good)
        case Spoilage.ABNORMAL:
            return JobCost(good * each, good, net)


def cost_rework(kind: Spoilage, started: int, each: Decimal, rework: Decimal) -> JobCost:
    """A job's cost where spoiled units were reworked for `rework` in all: they are good units again, and bring no cost
    but that into the job, if it is due to it, or into the loss, if it is abnormal. Common rework is in the overhead."""
    total = started * each
    return JobCost(
        total + (rework if kind == Spoilage.OF_JOB else ZERO), started, rework if kind == Spoilage.ABNORMAL else ZERO
    )
