"""Published worked examples of spoilage and rework, each with its source."""

from decimal import Decimal

import pytest

from trace.costing.rules import ZERO, round_money
from trace.costing.spoilage import JobCost, Spoilage, cost_rework, cost_spoilage, find_normal_rate, split_spoiled

D = Decimal


def cents(amount: Decimal) -> Decimal:
    return round_money(amount, "USD")


# Horngren, Cost Accounting (2018), job costing and spoilage, p. 751: a job of 50 units, 5 of them spoiled, at $2,000
# each up to inspection; spoiled ones are sold for $600 each.
def horngren(kind: Spoilage, overhead: Decimal = ZERO) -> JobCost:
    return cost_spoilage(kind, started=50, spoiled=5, each=D(2000), disposal=D(600), overhead_per_good=overhead)


def test_common_normal_spoilage_is_in_the_overhead_of_every_good_unit() -> None:
    # In the plant 140 units are good, and their normal spoilage loses 7,000: 7,000 / 140 = 50 each.
    overhead = D(7000) / 140
    job = horngren(Spoilage.COMMON, overhead)
    assert overhead == 50 and overhead * job.good == 2250
    assert (job.on_job, job.each, job.lost) == (92_250, 2_050, 0)


def test_abnormal_spoilage_is_a_loss_and_no_cost_of_the_job() -> None:
    job = horngren(Spoilage.ABNORMAL)
    assert (job.lost, job.on_job, job.each) == (7_000, 90_000, 2_000)


def test_normal_spoilage_due_to_the_job_stays_on_it() -> None:
    job = horngren(Spoilage.OF_JOB)
    assert (job.on_job, cents(job.each), job.lost) == (97_000, D("2155.56"), 0)


# Whitefish, a textbook problem (brainmass 405071): 40 started, 5 spoiled, $1,000 each, inventoried at $200 each.
WHITEFISH = {"started": 40, "spoiled": 5, "each": D(1000), "disposal": D(200)}


def test_the_normal_rate_is_by_good_units_not_by_units_started() -> None:
    assert round(find_normal_rate(5, 35) * 100, 2) == D("14.29")  # Horngren, p. 751; Whitefish


def test_whitefish_spoilage_due_to_the_job_and_abnormal() -> None:
    job = cost_spoilage(Spoilage.OF_JOB, **WHITEFISH)
    assert (job.on_job, cents(job.each)) == (39_000, D("1114.29"))
    assert cost_spoilage(Spoilage.ABNORMAL, **WHITEFISH).lost == 4_000


@pytest.mark.parametrize(
    ("kind", "on_job", "lost"),
    [(Spoilage.COMMON, 40_000, 0), (Spoilage.OF_JOB, 41_800, 0), (Spoilage.ABNORMAL, 40_000, 1_800)],
)
def test_whitefish_rework_of_the_five_for_1800(kind, on_job, lost) -> None:
    """The published part is the $1,800; to which account it goes is the rule of the same book."""
    job = cost_rework(kind, started=40, each=D(1000), rework=D(1800))
    assert (job.on_job, job.lost, job.good) == (on_job, lost, 40)


def test_abnormal_rework_is_charged_to_the_loss() -> None:
    """Rework against spoilage (gaodun.com): 28,500 passed, 4 % of good units are normally spoiled, 1,500 rejected. To
    rework one: a quarter hour at $16 and a quarter hour of overhead at $30."""
    normal, abnormal = split_spoiled(D(1500), D(28_500), D("0.04"))
    assert (normal, abnormal) == (1_140, 360)
    each = D("0.25") * 16 + D("0.25") * 30
    assert each == D("11.50")
    assert cost_rework(Spoilage.ABNORMAL, started=30_000, each=D(0), rework=abnormal * each).lost == 4_140


def test_no_more_is_normal_than_was_spoiled() -> None:
    assert split_spoiled(D(3), D(1000), D("0.04")) == (3, 0)
