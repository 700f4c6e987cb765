"""Setting the plant's working calendar."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.calendar import WEEKDAYS, ShiftHours, find_overlap
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.shifts import DayOff, Shift
from trace.ledger.operation import note

FIRST_YEAR, LAST_YEAR = 1970, 2200
AHEAD = timedelta(days=366)
"""How long before shifts begin they may be set: those that hold later are not set earlier."""


class CalendarRefused(Refusal):
    """The plant's calendar can't be set so."""

    code = "calendar-refused"
    action = "Correct what is named, and set all of it again."


@dataclass(frozen=True)
class ShiftRow:
    """A shift: its name, the weekdays on which it begins (Monday to Sunday), from when to when in the plant's time. One
    that ends not later than it begins ends on the next day."""

    name: str
    weekdays: Sequence[str]
    begins: time
    ends: time


@dataclass(frozen=True)
class DayOffRow:
    """A day on which nobody works, and why."""

    day: date
    name: str


@changing
def set_shifts(*, rows: Sequence[ShiftRow], since: date, by: Person, at: datetime) -> list[Shift]:
    """From a day on the plant works in these shifts and no others; without any, around the clock by days.

    What held before stays on record for the days before. Refuses with CalendarRefused: a weekday that is none, or a
    shift without one; two of one name; two that work at the same time; seconds; a day before that from which the
    present shifts hold.
    """
    present = list(Shift.objects.filter(until=None))
    if late := [shift for shift in present if shift.since > since]:
        raise CalendarRefused(
            f"The present shifts hold from {late[0].since} on.", action="Name that day or a later one."
        )
    if since > at.date() + AHEAD:
        raise CalendarRefused(f"{since} is more than a year ahead.", action="Name a day that is nearer.")
    if problems := list(_judge(rows)):
        raise CalendarRefused(" ".join(problems))
    note(before=[[shift.name, shift.weekdays, shift.begins, shift.ends, shift.since] for shift in present])
    Shift.objects.filter(until=None).update(until=since)
    shifts = []
    for row in rows:
        weekdays = [name for name in WEEKDAYS if name in row.weekdays]
        shift = Shift(name=row.name, weekdays=weekdays, begins=row.begins, ends=row.ends, since=since)
        save_checked(shift, CalendarRefused)
        shifts.append(shift)
    return shifts


@changing
def set_days_off(*, year: int, rows: Sequence[DayOffRow], by: Person, at: datetime) -> list[DayOff]:
    """The days off of a year, all of them: those set before and not named are withdrawn.

    Refuses with CalendarRefused a year that is none of a plant's, a day of another year, one named twice, and one
    without a name.
    """
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise CalendarRefused(f"Nobody plans the year {year}.", action=f"Name one up to {LAST_YEAR}.")
    days = Counter(row.day for row in rows)
    problems = [f"{day} is not in {year}." for day in days if day.year != year]
    problems += [f"{day} stands there {times} times." for day, times in days.items() if times > 1]
    if problems:
        raise CalendarRefused(" ".join(problems))
    present = {day.day: day for day in DayOff.objects.filter(day__year=year, withdrawn=None)}
    note(before=[[day.day, day.name] for day in present.values()])
    wanted = {row.day: row.name for row in rows}
    gone = [day.pk for day in present.values() if wanted.get(day.day) != day.name]
    DayOff.objects.filter(pk__in=gone).update(withdrawn=at)
    for day, name in wanted.items():
        if day not in present or present[day].pk in gone:
            save_checked(DayOff(day=day, name=name), CalendarRefused)
    return list(DayOff.objects.filter(day__year=year, withdrawn=None))


def _judge(rows: Sequence[ShiftRow]) -> Iterator[str]:
    for row in rows:
        if unknown := [name for name in row.weekdays if name not in WEEKDAYS]:
            yield f"{', '.join(unknown)[:60]}: there is no such weekday."
        elif not row.weekdays:
            yield f"On which weekdays does shift {row.name[:40]} begin?"
        if any(at.second or at.microsecond for at in (row.begins, row.ends)):
            yield f"Shift {row.name[:40]} begins and ends on a whole minute."
    for name, times in Counter(row.name for row in rows).items():
        if times > 1:
            yield f"There are {times} shifts called {name[:40]}."
    hours = [
        ShiftHours(row.name, frozenset(map(WEEKDAYS.index, set(row.weekdays) & set(WEEKDAYS))), row.begins, row.ends)
        for row in rows
    ]
    if overlap := find_overlap(hours):
        yield f"Shift {overlap[0][:40]} still works when {overlap[1][:40]} begins on {WEEKDAYS[overlap[2]]}."
