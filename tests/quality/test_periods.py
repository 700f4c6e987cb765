"""Periods on the plant's clock, across midnight and when the clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.engineering.calendar import Calendar, ShiftHours, working_time_between
from trace.quality.periods import BadPeriod, Period, available_between, make_meter, read_period

BERLIN = ZoneInfo("Europe/Berlin")
WORKDAYS = frozenset(range(5))
EARLY, NIGHT = ShiftHours("Early", WORKDAYS, time(6), time(14)), ShiftHours("Night", WORKDAYS, time(22), time(6))
CALENDAR = Calendar(BERLIN, [EARLY, NIGHT])
HOUR = timedelta(hours=1)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def ask(name: str, now: datetime, first: str = "", last: str = "", latest: datetime | None = None) -> Period:
    return read_period(name, first, last, CALENDAR, now, lambda: latest)


def test_a_day_goes_from_midnight_to_midnight_at_the_plant() -> None:
    period = ask("today", utc(2026, 3, 2, 23, 30))  # half past midnight of the third
    assert (period.since, period.until) == (utc(2026, 3, 2, 23), utc(2026, 3, 3, 23))
    assert ask("yesterday", utc(2026, 3, 2, 23, 30)).since == utc(2026, 3, 1, 23)
    week = ask("week", utc(2026, 3, 2, 23, 30))
    assert (week.first, week.last) == (date(2026, 2, 25), date(2026, 3, 3))


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-10", 24)])
def test_a_day_on_which_the_clocks_change_is_shorter_or_longer(day: str, hours: int) -> None:
    """Directive 2000/84/EC: the last Sundays of March and October."""
    period = ask("days", utc(2026, 11, 1), day)
    assert period.until - period.since == hours * HOUR


def test_a_shift_that_began_before_midnight_is_still_this_shift() -> None:
    period = ask("shift", utc(2026, 3, 3, 2))  # three in the morning of Tuesday
    assert period.words == "in shift Night"
    assert (period.since, period.until, period.first) == (utc(2026, 3, 2, 21), utc(2026, 3, 3, 5), date(2026, 3, 2))


@pytest.mark.parametrize(("since", "hours"), [(utc(2026, 3, 27, 21), 8), (utc(2026, 10, 23, 20), 8)])
def test_a_night_before_the_change_is_as_long_as_any(since: datetime, hours: int) -> None:
    assert ask("shift", since + HOUR).until - since == hours * HOUR


def test_between_shifts_it_is_the_last_one() -> None:
    period = ask("shift", utc(2026, 3, 2, 15))
    assert period.words == "in shift Early of 2 March 2026, the last that worked"
    assert period.until == utc(2026, 3, 2, 13)
    without = read_period("shift", "", "", Calendar(BERLIN), utc(2026, 3, 2, 15), lambda: None)
    assert (without.words, without.until - without.since) == ("today", 24 * HOUR)


def test_without_a_choice_it_is_today_or_the_last_day_on_which_anything_passed() -> None:
    now = utc(2026, 3, 4, 9)
    assert ask("", now).name == "today"
    assert ask("", now, latest=now - HOUR).name == "today"
    last = ask("", now, latest=utc(2026, 2, 27, 23, 30))  # half past midnight of the 28th
    assert last.words == "on 28 February 2026, the last day on which anything passed"
    assert (last.name, last.first, last.last) == ("days", date(2026, 2, 28), date(2026, 2, 28))
    assert ask("today", now, latest=utc(2026, 2, 27)).words == "today"


@pytest.mark.parametrize(
    ("name", "first", "last", "says"),
    [
        ("fortnight", "", "", "is no time to look at"),
        ("days", "", "", "is no day"),
        ("days", "2026-02-30", "", "is no day"),
        ("days", "2026-02-10", "2026-02-09", "is no time of up to a year"),
        ("days", "2024-01-01", "2026-02-09", "is no time of up to a year"),
        ("days", "2026-03-02", "2026-03-05", "there is no record"),
        ("days", "9999-12-31", "", "there is no record"),
        ("days", "0001-01-01", "", "there is no record"),
    ],
)
def test_what_is_no_period_is_refused(name: str, first: str, last: str, says: str) -> None:
    with pytest.raises(BadPeriod, match=says):
        ask(name, utc(2026, 3, 4, 9), first, last)


def test_all_the_time_is_available_where_there_are_no_shifts() -> None:
    since, until = utc(2026, 3, 28, 23), utc(2026, 3, 29, 22)
    assert available_between(Calendar(BERLIN), since, until) == 23 * HOUR
    assert available_between(Calendar(BERLIN), until, since) == timedelta()
    assert available_between(CALENDAR, since, until) == timedelta()  # a Sunday


@given(st.integers(0, 14 * 24 * 60), st.integers(0, 14 * 24 * 60), st.booleans())
def test_the_meter_reads_the_working_time(a: int, b: int, shifts: bool) -> None:
    """Over two weeks in which the clocks change, against the calendar's own reckoning."""
    calendar = CALENDAR if shifts else Calendar(BERLIN)
    since, until = utc(2026, 10, 18, 1), utc(2026, 11, 2)
    read = make_meter(calendar, since, until)
    first, second = (since + timedelta(minutes=minutes) for minutes in sorted((a, b)))
    worked = working_time_between(calendar, first, second) if shifts else second - first
    assert read(second) - read(first) == worked
