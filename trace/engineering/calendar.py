"""When the plant works: shifts and days off on the plant's clock, right across summer time. No database, no clock.

A shift begins and ends at a time of the plant's wall clock. A time that a day does not have, since the clocks are put
forward over it, is the moment at which they are; of a time that a day has twice the first is meant. So shifts that
follow each other leave no gap and never overlap.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo

WEEK = 7
DAY = timedelta(days=1)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class ShiftHours:
    """A shift as it holds for days from `since` up to before `until`: on these weekdays (0 is Monday), from `begins` to
    `ends`; that is on the next day where it is not later than `begins`."""

    name: str
    weekdays: frozenset[int]
    begins: time
    ends: time
    since: date = date.min
    until: date = date.max


@dataclass(frozen=True)
class Calendar:
    """The plant's zone, its shifts, and the days on which none begins."""

    zone: tzinfo
    shifts: Sequence[ShiftHours] = ()
    days_off: Collection[date] = field(default_factory=frozenset)


@dataclass(frozen=True)
class Run:
    """One shift of one day: the day on which it begins, its moments in UTC."""

    name: str
    day: date
    begins: datetime
    ends: datetime


def instant(day: date, at: time, zone: tzinfo) -> datetime:
    """The moment, in UTC, of a time (whole seconds) on the plant's wall clock."""
    local = datetime.combine(day, at)
    early, late = sorted(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if early.astimezone(zone).replace(tzinfo=None) == local:
        return early
    before = early.astimezone(zone).utcoffset()
    while late - early > timedelta(seconds=1):  # between them the clocks are put forward, on a whole second
        middle = (early + (late - early) / 2).replace(microsecond=0)
        if middle.astimezone(zone).utcoffset() == before:
            early = middle
        else:
            late = middle
    return late


def list_runs(calendar: Calendar, since: datetime, until: datetime) -> Iterator[Run]:
    """Every shift that meets the time from `since` to before `until`, in order of their beginnings."""
    day, last = since.astimezone(calendar.zone).date() - DAY, until.astimezone(calendar.zone).date()
    while day <= last:
        today = (
            Run(
                shift.name,
                day,
                instant(day, shift.begins, calendar.zone),
                instant(day + DAY * (shift.ends <= shift.begins), shift.ends, calendar.zone),
            )
            for shift in calendar.shifts
            if day.weekday() in shift.weekdays and shift.since <= day < shift.until and day not in calendar.days_off
        )
        for run in sorted(today, key=lambda run: run.begins):
            if run.begins < until and run.ends > since:
                yield run
        day += DAY


def shift_at(calendar: Calendar, moment: datetime) -> Run | None:
    """The shift that works at a moment; None outside of all of them."""
    tick = timedelta(microseconds=1)
    return next((run for run in list_runs(calendar, moment, moment + tick) if run.begins <= moment < run.ends), None)


def working_day_at(calendar: Calendar, moment: datetime) -> Run:
    """The shift that works at a moment; outside of all of them, the plant's day."""
    if run := shift_at(calendar, moment):
        return run
    day = moment.astimezone(calendar.zone).date()
    return Run("", day, instant(day, time(), calendar.zone), instant(day + DAY, time(), calendar.zone))


def working_time_between(calendar: Calendar, since: datetime, until: datetime) -> timedelta:
    """How long the plant works from one moment to another; nothing where the second is not later."""
    worked, counted = timedelta(), since
    for run in list_runs(calendar, since, until) if since < until else ():
        begins, ends = max(run.begins, counted), min(run.ends, until)
        if begins < ends:
            worked, counted = worked + (ends - begins), ends
    return worked


def find_overlap(shifts: Sequence[ShiftHours]) -> tuple[str, str, int] | None:
    """The first two shifts that work at the same time of a week, and on which weekday the second begins."""
    minutes_of_week = WEEK * 24 * 60
    spans = sorted(
        (weekday * 1440 + _minute(shift.begins), _length(shift), shift.name, weekday)
        for shift in shifts
        for weekday in shift.weekdays
    )
    for (begins, length, name, _), (follows, _, other, weekday) in zip(spans, [*spans[1:], *spans[:1]], strict=True):
        if len(spans) > 1 and (follows - begins) % minutes_of_week < length:
            return name, other, weekday
    return None


def _minute(at: time) -> int:
    return at.hour * 60 + at.minute


def _length(shift: ShiftHours) -> int:
    """Minutes of the wall clock; at least one, at most a day."""
    return (_minute(shift.ends) - _minute(shift.begins) - 1) % 1440 + 1
