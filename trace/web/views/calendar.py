"""The plant's working calendar: its shifts and its days off."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time
from typing import Any

from django.http import HttpRequest, HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from trace.core.clock import now
from trace.engineering.calendar import WEEKDAYS, shift_at
from trace.engineering.operations import CalendarRefused, DayOffRow, ShiftRow, set_days_off, set_shifts
from trace.engineering.queries import get_calendar
from trace.engineering.shifts import DayOff, Shift
from trace.web.cells import Moment
from trace.web.forms import asking, fill_in, read_day
from trace.web.tables import Column, Table, respond

SPARE = 2
"""Empty lines of the form, beside the shifts there are."""


def calendar(request: HttpRequest) -> HttpResponseBase:
    """When the plant works: which shift works now, all shifts, days off."""
    run = shift_at(get_calendar(), now())
    context = {
        "run": run,
        "begins": Moment.of(run.begins) if run else None,
        "ends": Moment.of(run.ends) if run else None,
        "any": Shift.objects.filter(until=None).exists(),
    }
    return respond(request, "calendar.html", context, [_shifts_table(), _days_off_table()], name="calendar")


def set_calendar(request: HttpRequest) -> HttpResponse:
    """Set the shifts from a day on, or the days off of a year: two forms, each with a notice of what became of it."""
    sent, done = request.POST, asking(request)
    today = timezone.localdate(now())
    what = "days off" if sent.get("what") == "days off" else "shifts" if sent else ""

    def do() -> str:
        here = reverse("set-calendar")
        if what == "days off":
            year = _read_year(sent.get("year", ""))
            set_days_off(year=year, rows=_read_days(sent.get("days", "")), **done)
            return f"{here}?set=days&year={year:04}#days-off"
        set_shifts(rows=_read_shifts(sent), since=read_day(sent.get("since", "")), **done)
        return f"{here}?set=shifts#shifts"

    asked = request.GET.get("year", "")
    year = int(asked) if asked.isdecimal() and len(asked) == 4 and int(asked) else today.year
    days = DayOff.objects.filter(withdrawn=None, day__year=year)
    context = {
        "weekdays": WEEKDAYS,
        "lines": _lines(sent),
        "since": sent.get("since", today.isoformat()),
        "year": sent.get("year", year),
        "what": what,
        "saved": {} if sent else {name: say(year) for name, say in SAVED.items() if name == request.GET.get("set")},
        "days": sent.get("days", "\n".join(f"{day.day} {day.name}" for day in days)),
    }
    return fill_in(request, "set_calendar.html", context, do)


def _say_shifts(year: int) -> str:
    shifts = list(Shift.objects.filter(until=None))
    if not shifts:
        return "The shifts are set: there is none, and the plant’s day counts as one."
    since = max(shift.since for shift in shifts)
    return f"The shifts are set: {', '.join(shift.name for shift in shifts)} hold from {since} on."


def _say_days(year: int) -> str:
    count = DayOff.objects.filter(withdrawn=None, day__year=year).count()
    return f"The days off are set: {count or 'none'} in {year}."


SAVED: dict[str, Callable[[int], str]] = {"shifts": _say_shifts, "days": _say_days}
"""What the notice says once a form was saved: what is on record then."""


def _lines(sent: QueryDict) -> list[dict[str, Any]]:
    """The lines of the form, as they were sent, or as the shifts are."""
    if "name-0" in sent:
        return [
            {
                "name": sent.get(f"name-{n}", ""),
                "weekdays": sent.getlist(f"weekdays-{n}"),
                "begins": sent.get(f"begins-{n}", ""),
                "ends": sent.get(f"ends-{n}", ""),
            }
            for n in range(_count(sent))
        ]
    shifts = [
        {"name": s.name, "weekdays": s.weekdays, "begins": f"{s.begins:%H:%M}", "ends": f"{s.ends:%H:%M}"}
        for s in Shift.objects.filter(until=None)
    ]
    return shifts + [{"name": "", "weekdays": [], "begins": "", "ends": ""}] * SPARE


def _count(sent: QueryDict) -> int:
    return sum(name.startswith("name-") for name in sent)


def _read_shifts(sent: QueryDict) -> list[ShiftRow]:
    """The lines that have a name or a time."""
    return [
        ShiftRow(line["name"].strip(), line["weekdays"], _read_time(line["begins"]), _read_time(line["ends"]))
        for line in _lines(sent)
        if "name-0" in sent and (line["name"].strip() or line["begins"] or line["ends"])
    ]


def _read_time(text: str) -> time:
    try:
        return datetime.strptime(text.strip(), "%H:%M").time()  # noqa: DTZ007
    except ValueError:
        raise CalendarRefused(f"“{text[:20]}” is no time of day.", action="Write it such as 06:00.") from None


def _read_year(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) == 4):
        raise CalendarRefused(f"“{text[:20]}” is no year.", action="Write it such as 2026.")
    return int(text)


def _read_days(text: str) -> list[DayOffRow]:
    """A day and its name a line."""
    lines = (line.strip().partition(" ") for line in text.splitlines() if line.strip())
    return [DayOffRow(read_day(day), name.strip()) for day, _, name in lines]


def _shifts_table() -> Table:
    return Table(
        "shifts",
        "Shifts",
        [
            Column("name", "Shift", lambda s: s.name, "name"),
            Column("weekdays", "Begins on", lambda s: ", ".join(s.weekdays)),
            Column("begins", "From", lambda s: f"{s.begins:%H:%M}", "begins"),
            Column("ends", "To", lambda s: f"{s.ends:%H:%M}{' next day' if s.ends <= s.begins else ''}", "ends"),
            Column("since", "Holds from", lambda s: s.since, "since"),
            Column("until", "To before", lambda s: s.until or "", "until"),
        ],
        Shift.objects.order_by("-since", "begins"),
        "No shift is set: the plant’s day counts as one, from midnight to midnight.",
        note="Times are the plant’s. A time over which the clocks are put forward is the moment at which they are.",
    )


def _days_off_table() -> Table:
    return Table(
        "days",
        "Days off",
        [
            Column("day", "Day", lambda d: d.day, "day"),
            Column("weekday", "Weekday", lambda d: WEEKDAYS[d.day.weekday()]),
            Column("name", "Why", lambda d: d.name, "name"),
        ],
        DayOff.objects.filter(withdrawn=None).order_by("-day"),
        "No day off is set.",
        search=("name",),
    )
