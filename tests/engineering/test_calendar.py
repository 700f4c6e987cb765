"""Shifts and working time against the wall clock itself, summer-time changes included."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.engineering.calendar import (
    Calendar,
    ShiftHours,
    find_overlap,
    instant,
    list_runs,
    shift_at,
    working_day_at,
    working_time_between,
)

BERLIN, LORD_HOWE = ZoneInfo("Europe/Berlin"), ZoneInfo("Australia/Lord_Howe")  # the second goes by half an hour
EVERY, MONDAY, SUNDAY = frozenset(range(7)), frozenset([0]), frozenset([6])
EARLY = ShiftHours("early", frozenset(range(5)), time(6), time(14))
LATE = ShiftHours("late", frozenset(range(5)), time(14), time(22))
NIGHT = ShiftHours("night", EVERY, time(22), time(6))
HOUR = timedelta(hours=1)
# Days around both changes of 2026 in each zone; tz database 2025b.
DAYS = [date(2026, 3, 28), date(2026, 10, 24), date(2026, 4, 4), date(2026, 10, 3), date(2026, 6, 10)]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def test_a_night_shift_is_an_hour_shorter_or_longer_when_the_clocks_change() -> None:
    """Directive 2000/84/EC: the last Sundays of March and October at 01:00 UTC."""
    calendar = Calendar(BERLIN, [NIGHT])
    hours = {
        day: (run.ends - run.begins) / HOUR
        for day in (date(2026, 3, 28), date(2026, 10, 24), date(2026, 6, 10))
        for run in list_runs(calendar, instant(day, time(23), BERLIN), instant(day, time(23, 1), BERLIN))
    }
    assert hours == {date(2026, 3, 28): 7, date(2026, 10, 24): 9, date(2026, 6, 10): 8}


def test_a_time_that_the_day_does_not_have_is_when_the_clocks_are_put_forward() -> None:
    for at in (time(2), time(2, 15), time(2, 59)):
        assert instant(date(2026, 3, 29), at, BERLIN) == utc(2026, 3, 29, 1)
    assert instant(date(2026, 3, 29), time(3), BERLIN) == utc(2026, 3, 29, 1)
    assert instant(date(2026, 3, 29), time(1, 59), BERLIN) == utc(2026, 3, 29, 0, 59)
    assert instant(date(2026, 10, 4), time(2, 10), LORD_HOWE) == utc(2026, 10, 3, 15, 30)


def test_of_a_time_that_the_day_has_twice_the_first_is_meant() -> None:
    assert instant(date(2026, 10, 25), time(2, 30), BERLIN) == utc(2026, 10, 25, 0, 30)


@given(st.sampled_from([BERLIN, LORD_HOWE, ZoneInfo("America/New_York")]), st.sampled_from(DAYS), st.integers(0, 2879))
def test_the_wall_clock_never_runs_backwards(zone: ZoneInfo, day: date, minute: int) -> None:
    """In the order of the wall clock moments never fall, and each shows its time, or is the change itself."""

    def at(minute: int) -> datetime:
        return instant(day + timedelta(days=minute // 1440), time(minute // 60 % 24, minute % 60), zone)

    here, after = at(minute), at(minute + 1)
    assert here <= after
    wall = datetime.combine(day, time()) + timedelta(minutes=minute)
    shown = here.astimezone(zone).replace(tzinfo=None)
    just_before = (here - timedelta(seconds=1)).astimezone(zone)
    assert shown == wall or (shown > wall > just_before.replace(tzinfo=None))


@given(
    st.sampled_from([BERLIN, LORD_HOWE]),
    st.sampled_from(DAYS),
    st.integers(0, 47),
    st.integers(1, 72),
    st.sets(st.sampled_from(DAYS)),
)
def test_working_time_is_what_the_wall_clock_shows_minute_by_minute(
    zone: ZoneInfo, day: date, begin: int, length: int, off: set[date]
) -> None:
    """Of shifts none of whose bounds is in an hour that a day lacks or has twice: asked of every quarter of an hour."""
    shifts = [EARLY, LATE, NIGHT]
    calendar = Calendar(zone, shifts, off)
    since = datetime.combine(day, time(), UTC) + begin * HOUR
    until = since + length * HOUR

    def works(moment: datetime) -> list[str]:
        local = moment.astimezone(zone)
        return [
            shift.name
            for shift in shifts
            for day in (local.date(), local.date() - timedelta(days=1))
            if day.weekday() in shift.weekdays and day not in off
            if datetime.combine(day, shift.begins)
            <= local.replace(tzinfo=None)
            < datetime.combine(day + timedelta(days=shift.ends <= shift.begins), shift.ends)
        ]

    quarters = [since + timedelta(minutes=15 * n) for n in range(4 * length)]
    assert working_time_between(calendar, since, until) == timedelta(minutes=15) * sum(map(bool, map(works, quarters)))
    for moment in quarters[::3]:
        run = shift_at(calendar, moment)
        assert ([run.name] if run else []) == works(moment)


@given(st.sampled_from(DAYS), st.lists(st.integers(0, 4320), min_size=3, max_size=3))
def test_working_time_adds_up(day: date, minutes: list[int]) -> None:
    first, second, third = (datetime.combine(day, time(), UTC) + timedelta(minutes=m) for m in sorted(minutes))
    calendar = Calendar(BERLIN, [EARLY, NIGHT])
    parts = working_time_between(calendar, first, second) + working_time_between(calendar, second, third)
    assert working_time_between(calendar, first, third) == parts
    assert working_time_between(calendar, third, first) == timedelta()


def test_shifts_that_follow_each_other_in_the_doubled_hour_leave_no_gap() -> None:
    shifts = [ShiftHours("a", EVERY, time(22), time(2, 30)), ShiftHours("b", EVERY, time(2, 30), time(22))]
    for day in DAYS:
        since = datetime.combine(day, time(), UTC)
        assert working_time_between(Calendar(BERLIN, shifts), since, since + 48 * HOUR) == 48 * HOUR


def test_shifts_hold_for_their_days_and_days_off_begin_none() -> None:
    old = ShiftHours("old", EVERY, time(22), time(6), until=date(2026, 6, 10))
    new = ShiftHours("new", EVERY, time(0), time(8), since=date(2026, 6, 10))
    calendar = Calendar(ZoneInfo("UTC"), [old, new], {date(2026, 6, 12)})
    assert working_time_between(calendar, utc(2026, 6, 9), utc(2026, 6, 14)) == (6 + 2 + 8 + 8 + 0 + 8) * HOUR
    found = [shift_at(calendar, utc(2026, 6, day, hour)) for day, hour in ((10, 5), (10, 7), (10, 9), (12, 1))]
    assert [run and run.name for run in found] == ["old", "new", None, None]
    assert working_day_at(calendar, utc(2026, 6, 12, 1)).name == ""
    day = working_day_at(Calendar(BERLIN), utc(2026, 10, 25, 12))
    assert (day.day, day.ends - day.begins) == (date(2026, 10, 25), 25 * HOUR)


@pytest.mark.parametrize(
    ("shifts", "overlap"),
    [
        ([EARLY, LATE, NIGHT], None),
        ([EARLY, ShiftHours("late", frozenset([2]), time(13, 59), time(22))], ("early", "late", 2)),
        ([ShiftHours("a", SUNDAY, time(22), time(6)), ShiftHours("b", MONDAY, time(5), time(9))], ("a", "b", 0)),
        ([ShiftHours("a", EVERY, time(6), time(6))], None),
        ([ShiftHours("a", EVERY, time(6), time(6)), EARLY], ("early", "a", 0)),
        ([], None),
    ],
)  # fmt: skip
def test_two_shifts_at_one_time_are_found(shifts: list[ShiftHours], overlap: tuple | None) -> None:
    assert find_overlap(shifts) == overlap
