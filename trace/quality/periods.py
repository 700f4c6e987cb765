"""The stretches of time that are looked at: on the plant's clock, right across midnight and summer time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import accumulate

from trace.core.clock import from_ticks
from trace.core.errors import Kind, Refusal
from trace.engineering.calendar import Calendar, Run, instant, list_runs, working_time_between

DAY = timedelta(days=1)
WEEK = timedelta(days=7)
LOOK_BACK = timedelta(days=60)
"""So long ago a shift may have been that counts as the last one."""

MOST = timedelta(days=366)
EARLIEST = date(1970, 1, 2)


class BadPeriod(Refusal):
    """The time that is asked for can't be read."""

    code = "bad-period"
    kind = Kind.UNREADABLE
    action = "Choose one of those offered, or give two days such as 2026-11-20, the earlier first."


@dataclass(frozen=True)
class Period:
    """From `since` to before `until`, in UTC. `first` to `last` are the plant's days that it is of, which begin and end
    at `begins` and `ends`. `words` say it."""

    name: str
    words: str
    since: datetime
    until: datetime
    first: date
    last: date
    begins: datetime
    ends: datetime


CHOICES = {
    "": "today, or the last day worked",
    "shift": "this shift, or the last one",
    "today": "today",
    "yesterday": "yesterday",
    "week": "the last seven days",
    "days": "from day to day",
}
"""What may be asked for, in words."""


def read_period(
    name: str, first: str, last: str, calendar: Calendar, now: datetime, find_latest: Callable[[], datetime | None]
) -> Period:
    """The period of this name; `first` and `last` are the two days where that is “days”.

    Without a name today; where nothing passed yet today, the day of the latest pass, which `find_latest` gives.
    Refuses with BadPeriod.
    """
    today = now.astimezone(calendar.zone).date()
    if name == "days":
        since, until = _read_day(first), _read_day(last or first)
        if not timedelta() <= until - since <= MOST:
            raise BadPeriod(f"From {since} to {until} is no time of up to a year.")
        if until > today or since < EARLIEST:
            raise BadPeriod(f"From {since} to {until} there is no record.")
        words = f"on {say(since)}" if since == until else f"from {say(since)} to {say(until)}"
        return _days(name, words, since, until, calendar)
    if name == "shift":
        return _shift(calendar, now)
    if name == "yesterday":
        return _days(name, "yesterday", today - DAY, today - DAY, calendar)
    if name == "week":
        return _days(name, "in the last seven days", today - WEEK + DAY, today, calendar)
    if name not in CHOICES:
        raise BadPeriod(f"“{name[:40]}” is no time to look at.")
    latest = None if name else find_latest()
    day = latest.astimezone(calendar.zone).date() if latest else today
    if day < today:
        return _days("days", f"on {say(day)}, the last day on which anything passed", day, day, calendar)
    return _days("today", "today", today, today, calendar)


def available_between(calendar: Calendar, since: datetime, until: datetime) -> timedelta:
    """How long the plant works from one moment to another: all the time where it has no shifts."""
    return working_time_between(calendar, since, until) if calendar.shifts else max(until - since, timedelta())


def make_meter(calendar: Calendar, since: datetime, until: datetime) -> Callable[[datetime], timedelta]:
    """What tells of a moment between these two how long the plant had worked by then since the first: read once for
    many moments."""
    if not calendar.shifts:
        return lambda moment: moment - since
    runs = [(max(run.begins, since), min(run.ends, until)) for run in list_runs(calendar, since, until)]
    before = [timedelta(), *accumulate(ends - begins for begins, ends in runs)]

    def read(moment: datetime) -> timedelta:
        begun = bisect_right(runs, (moment, until))
        return before[begun] - max(runs[begun - 1][1] - moment, timedelta()) if begun else timedelta()

    return read


def say(day: date) -> str:
    return f"{day:%-d %B %Y}"


def _days(name: str, words: str, first: date, last: date, calendar: Calendar) -> Period:
    begins, ends = (instant(day, time(), calendar.zone) for day in (first, last + DAY))
    return Period(name, words, begins, ends, first, last, begins, ends)


def _shift(calendar: Calendar, now: datetime) -> Period:
    """The shift that works now, or the one that worked last; the plant's day where it has none."""
    tick = timedelta(microseconds=1)
    begun = [run for run in list_runs(calendar, now - LOOK_BACK, now + tick) if run.begins <= now]
    if not begun:
        today = now.astimezone(calendar.zone).date()
        return _days("shift", "today", today, today, calendar)
    run: Run = max(begun, key=lambda run: run.begins)
    words = f"in shift {run.name}" if now < run.ends else f"in shift {run.name} of {say(run.day)}, the last that worked"
    return replace(_days("shift", words, run.day, run.day, calendar), since=run.begins, until=run.ends)


def _read_day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadPeriod(f"“{text[:20]}” is no day.") from None


def read_asked(
    asked: Mapping[str, str], latest: int | None, before: timedelta, calendar: Calendar, now: datetime
) -> Period:
    """The period that `period`, `from` and `to` of a request name; where they name none, the days up to that of the
    `latest` record (ticks), as far `before` it. Refuses with BadPeriod."""
    name, first, last = (asked.get(one, "") for one in ("period", "from", "to"))
    if not name:
        day = (from_ticks(latest) if latest else now).astimezone(calendar.zone).date()
        name, first, last = "days", str(day - before), str(day)
    return read_period(name, first, last, calendar, now, lambda: None)
