from datetime import UTC, datetime, timedelta, timezone, tzinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.core import clock
from trace.core.clock import DAY, OPEN, from_ticks, now, now_ticks, to_ticks

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@given(st.integers(0, to_ticks(datetime(2200, 1, 1, tzinfo=UTC))).map(lambda n: EPOCH + n * timedelta(microseconds=1)))
def test_ticks_lose_nothing(moment: datetime) -> None:
    assert from_ticks(to_ticks(moment)) == moment
    assert 0 <= to_ticks(moment) < OPEN


def test_ticks_are_of_the_moment_whatever_its_zone() -> None:
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    assert to_ticks(noon) == to_ticks(noon.astimezone(timezone(timedelta(hours=9)))) == 1_772_452_800_000_000


def test_a_moment_without_a_zone_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        to_ticks(datetime(2026, 3, 2))  # noqa: DTZ001


def test_the_clock_is_in_utc_and_open_is_exact_as_a_float() -> None:
    assert now().tzinfo is UTC
    assert int(float(OPEN)) == OPEN and float(OPEN) != float(OPEN - 1)


def test_what_is_recorded_later_is_later_though_the_clock_is_set_back(monkeypatch: pytest.MonkeyPatch) -> None:
    class SetBack(datetime):
        by = timedelta(0)

        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:
            return datetime.now(tz) - cls.by

    monkeypatch.setattr(clock, "datetime", SetBack)
    first = now_ticks()
    SetBack.by = timedelta(seconds=30)
    assert now_ticks() == first + 1 and now_ticks() == first + 2
    SetBack.by = timedelta(days=1)
    assert first - DAY < now_ticks() < first - DAY + 10_000_000
