"""Setting shifts and days off: what held before stays readable."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest

from tests.factories import Plant
from tests.refusals import refused
from trace.engineering.calendar import WEEKDAYS, shift_at
from trace.engineering.operations import DayOffRow, ShiftRow, set_days_off, set_shifts
from trace.engineering.queries import get_calendar
from trace.engineering.shifts import DayOff, Shift
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

WEEK = WEEKDAYS[:5]
EARLY, LATE = ShiftRow("Early", WEEK, time(6), time(14)), ShiftRow("Late", WEEK, time(14), time(22))
MARCH, APRIL = date(2026, 3, 2), date(2026, 4, 1)


def test_shifts_are_set_from_a_day_on_and_those_before_stay() -> None:
    plant = Plant()
    plant.do(set_shifts, rows=[EARLY, LATE], since=MARCH)
    (night,) = plant.do(set_shifts, rows=[ShiftRow("Early", WEEKDAYS, time(22), time(6))], since=APRIL)
    assert night.weekdays == list(WEEKDAYS)
    assert '"Early",["Monday"' in Event.objects.latest("id").payload
    calendar = get_calendar()
    moments = ((3, 31, 7), (4, 1, 7), (4, 1, 23), (4, 2, 5))
    found = [shift_at(calendar, datetime(2026, *moment, tzinfo=UTC)) for moment in moments]
    assert [run and (run.name, run.day) for run in found] == [
        ("Early", date(2026, 3, 31)), None, ("Early", APRIL), ("Early", APRIL),
    ]  # fmt: skip
    plant.do(set_shifts, rows=[], since=APRIL)
    assert not Shift.objects.filter(until=None).exists()
    assert shift_at(get_calendar(), datetime(2026, 4, 1, 23, tzinfo=UTC)) is None


def test_what_shifts_can_not_be() -> None:
    plant = Plant()
    plant.do(set_shifts, rows=[EARLY], since=APRIL)
    for rows in (
        [ShiftRow("Early", ["Funday"], time(6), time(14))],
        [ShiftRow("Early", [], time(6), time(14))],
        [EARLY, EARLY],
        [EARLY, ShiftRow("Late", WEEK, time(13), time(22))],
        [ShiftRow("Early", WEEK, time(6, 0, 1), time(14))],
        [ShiftRow("", WEEK, time(6), time(14))],
        [ShiftRow("x" * 41, WEEK, time(6), time(14))],
    ):
        refused(plant, "calendar-refused", set_shifts, rows=rows, since=APRIL)
    refused(plant, "calendar-refused", set_shifts, rows=[LATE], since=MARCH)
    refused(plant, "calendar-refused", set_shifts, rows=[LATE], since=date(9999, 12, 31))


def test_days_off_of_a_year_are_set_all_at_once() -> None:
    plant = Plant()
    plant.do(set_shifts, rows=[EARLY], since=MARCH)
    plant.do(set_days_off, year=2026, rows=[DayOffRow(MARCH, "Fair"), DayOffRow(APRIL, "Stocktaking")])
    plant.do(set_days_off, year=2027, rows=[DayOffRow(date(2027, 1, 1), "New Year")])
    days = plant.do(set_days_off, year=2026, rows=[DayOffRow(MARCH, "Fair"), DayOffRow(date(2026, 5, 1), "May Day")])
    assert [(day.day, day.name) for day in days] == [(MARCH, "Fair"), (date(2026, 5, 1), "May Day")]
    assert DayOff.objects.filter(withdrawn=None).count() == 3 and DayOff.objects.count() == 4
    assert shift_at(get_calendar(), datetime(2026, 3, 2, 7, tzinfo=UTC)) is None
    assert shift_at(get_calendar(), datetime(2026, 4, 1, 7, tzinfo=UTC)) is not None
    for rows in (
        [DayOffRow(date(2027, 1, 2), "x")],
        [DayOffRow(MARCH, "a"), DayOffRow(MARCH, "b")],
        [DayOffRow(MARCH, "")],
        [DayOffRow(MARCH, "x" * 61)],
    ):
        refused(plant, "calendar-refused", set_days_off, year=2026, rows=rows)
    for year in (0, -1, 1969, 10_000):
        refused(plant, "calendar-refused", set_days_off, year=year, rows=[])
