"""The running log against numbers counted by hand, and as pages show it."""

from __future__ import annotations

from fractions import Fraction

import pytest

from tests.factories import moment
from tests.floor.troubleshooting import Trouble, build_log
from trace.quality.faults import NoSuchCount, ask_log
from trace.quality.periods import BadPeriod

pytestmark = pytest.mark.django_db

DAY = {"period": "days", "from": "2026-03-02", "to": "2026-03-02"}
"""That of `build_log`."""


@pytest.fixture
def trouble() -> Trouble:
    return build_log()


def counted(**asked: str) -> list[tuple[str, int, int, Fraction | None, Fraction]]:
    found = ask_log(moment(5000), {**DAY, **asked})
    return [(one.key, one.faults, one.units, one.per_thousand, one.cumulative) for one in found.counted]


def test_faults_are_counted_per_thousand_units_that_passed(trouble: Trouble) -> None:
    # Eight boards went through; three bridges are 3 / 8 × 1000 = 375 per thousand, one drift 125.
    assert counted() == [("BRIDGE", 3, 2, 375, Fraction(3, 4)), ("DRIFT", 1, 1, 125, Fraction(1))]
    assert counted(by="designator")[0] == ("R1", 2, 2, 250, Fraction(1, 2))
    assert counted(by="cause") == [
        ("none", 2, 1, 250, Fraction(1, 2)), ("PART", 1, 1, 125, Fraction(3, 4)), ("WAVE", 1, 1, 125, Fraction(1)),
    ]  # fmt: skip
    assert counted(by="station") == [("TEST", 4, 3, 500, Fraction(1))]
    assert counted(by="product", fault="DRIFT") == [("BOARD", 1, 1, 125, Fraction(1))]
    assert counted(by="fault", cause="none", designator="R2") == [("BRIDGE", 1, 1, 125, Fraction(1))]
    assert counted(station="INSERT") == []


def test_without_a_period_it_is_of_the_days_up_to_the_last_fault(trouble: Trouble) -> None:
    found = ask_log(moment(90_000), {})
    assert (found.total, str(found.period.first), str(found.period.last)) == (5, "2026-02-03", "2026-03-04")


def test_the_lots_at_the_faulty_places(trouble: Trouble) -> None:
    found = ask_log(moment(5000), DAY)
    assert [(lot.key, faults, units) for lot, faults, units in found.lots] == [("LOT-REEL", 3, 2), ("LOT-CAPS", 1, 1)]


def test_what_is_asked_wrongly_is_refused() -> None:
    with pytest.raises(NoSuchCount):
        ask_log(moment(), {"by": "colour"})
    with pytest.raises(BadPeriod):
        ask_log(moment(), {"period": "yesteryear"})
