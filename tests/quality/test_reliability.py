"""MTBF and its bounds, against published values; what is counted of sample tests."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, moment
from tests.floor.test_samples import life
from trace.floor.models import Chooses, Sample
from trace.floor.operations.samples import finish_sample, record_sample, set_sample_rules, start_sample
from trace.quality.reliability import Run, bound_mtbf, list_runs, say_mtbf

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1: the MTBF lies between its estimate times 2r/χ²(1 − α/2;
# 2(r + 1)) and times 2r/χ²(α/2; 2r). Its example: 800 hours of test, 2 failures, 90 % two-sided.


def test_the_example_of_the_handbook() -> None:
    bounds = bound_mtbf(800, 2, 90, two_sided=True)
    assert bounds.lower == pytest.approx(127.0690, abs=1e-4) and bounds.upper == pytest.approx(2251.229, abs=1e-3)


# Its factors by which the estimate is multiplied, two-sided 60, 80, 90 and 95 %.
LOWER = {
    1: (0.3340, 0.2571, 0.2108, 0.1795), 2: (0.4674, 0.3758, 0.3177, 0.2768), 3: (0.5440, 0.4490, 0.3869, 0.3422),
    4: (0.5952, 0.5004, 0.4370, 0.3906), 5: (0.6324, 0.5391, 0.4756, 0.4285), 10: (0.7326, 0.6491, 0.5895, 0.5438),
}  # fmt: skip
UPPER = {
    1: (4.4814, 9.4912, 19.4957, 39.4979), 2: (2.4260, 3.7607, 5.6281, 8.2573), 3: (1.9543, 2.7222, 3.6689, 4.8491),
}  # fmt: skip


@pytest.mark.parametrize("failures", LOWER)
def test_the_factors_of_the_handbook(failures: int) -> None:
    for n, confidence in enumerate((60, 80, 90, 95)):
        bounds = bound_mtbf(1000 * failures, failures, confidence, two_sided=True)
        assert bounds.lower / 1000 == pytest.approx(LOWER[failures][n], abs=5e-5)
        if failures in UPPER:
            assert bounds.upper / 1000 == pytest.approx(UPPER[failures][n], abs=5e-5)


def test_two_sided_60_is_one_sided_80() -> None:
    """The handbook’s 60 % is two-sided."""
    assert bound_mtbf(800, 2, 60, two_sided=True).lower == pytest.approx(bound_mtbf(800, 2, 80).lower)


# The same section, zero failures: MTBF of at least T / −ln α, one-sided.
@pytest.mark.parametrize(("confidence", "lower"), [(60, 1091.36), (90, 434.294), (95, 333.808)])
def test_without_a_failure(confidence: int, lower: float) -> None:
    bounds = bound_mtbf(1000, 0, confidence)
    assert bounds.lower == pytest.approx(lower, rel=1e-5) and bounds.upper == float("inf")


def test_a_test_that_ended_with_a_failure_has_one_fewer_in_its_bound() -> None:
    """2r degrees of freedom instead of 2(r + 1): the lower bound of r failures is that of r − 1 in as many hours."""
    assert bound_mtbf(800, 2, 90, by_failure=True).lower == pytest.approx(bound_mtbf(800, 1, 90).lower)


@pytest.mark.parametrize("asked", [(0, 0, 90), (800, -1, 90), (800, 1, 100)])
def test_nothing_is_reckoned_from_nothing(asked: tuple[Any, ...]) -> None:
    with pytest.raises(ValueError, match="nothing to reckon"):
        bound_mtbf(*asked)
    with pytest.raises(ValueError, match="nothing to reckon"):
        bound_mtbf(800, 0, 90, by_failure=True)


def test_the_sentence_says_which_bound() -> None:
    run = Run("QV-180", "life test", 4, Decimal(800), 2, False)
    assert say_mtbf(run, 90, "two") == (
        "life test of QV-180: 4 units ran 800 h in all, with 2 failures. MTBF 400 h, between 127 h and "
        "2\u202f251 h with 90 % confidence, two-sided (time-terminated)."
    )
    clean = Run("QV-180", "life test", 1, Decimal(1000), 0, False)
    assert "with no failure. MTBF at least 434 h with 90 % confidence, one-sided" in say_mtbf(clean, 90, "one")
    assert "Nothing can be said" in say_mtbf(Run("QV-180", "life test", 1, Decimal(0), 0, False), 90, "one")


@pytest.mark.django_db
def test_the_hours_of_the_time_that_is_asked_for_count() -> None:
    plant = Plant()
    plant.do(set_sample_rules, number="BOARD", rows=[life(chooses=Chooses.EVERY, every=1)])
    for n, board in enumerate(plant.boards(2)):
        plant.finish(board, 10 + 3 * n)
    first, second = Sample.objects.order_by("pk")
    for sample in (first, second):
        plant.do(start_sample, 30, sample=sample)
    plant.do(record_sample, 630, sample=first, done=Decimal(10))
    plant.do(record_sample, 1230, sample=first, done=Decimal(18), failure="no display")
    plant.do(record_sample, 1230, sample=second, done=Decimal(20))
    everything = {"since": moment(0), "until": moment(5000)}
    assert list_runs(**everything) == [Run("BOARD", "life test", 2, Decimal(38), 1, False)]
    assert list_runs(moment(700), moment(5000)) == [Run("BOARD", "life test", 2, Decimal(28), 1, False)]
    assert list_runs(moment(0), moment(700), "BOARD") == [Run("BOARD", "life test", 1, Decimal(10), 0, False)]
    assert list_runs(**everything, number="PRODUCT") == []
    plant.do(finish_sample, 1300, sample=first, passed=False)
    (run,) = list_runs(moment(0), moment(5000))
    assert not run.by_failure  # the other is running
    plant.do(record_sample, 1300, sample=second, done=Decimal(21), failure="smoke")
    plant.do(finish_sample, 1301, sample=second, passed=False)
    (run,) = list_runs(moment(0), moment(5000))
    assert run.by_failure and (run.failures, run.mtbf) == (2, Decimal("19.5"))
