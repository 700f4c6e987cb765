"""A sheet of paper of a station, as it is typed in: its lines in the order in which they were written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone

from trace.core.clock import from_ticks, now
from trace.core.errors import Kind, NotFound, Refusal
from trace.core.keys import KEY_LENGTH, UNSTORABLE, clean_text, read_label
from trace.core.models import Person
from trace.core.moments import read_moment
from trace.core.permissions import OPERATIONS, may
from trace.engineering.equipment import Equipment
from trace.engineering.models import ScanMode, Station, Step
from trace.floor.models import Pass
from trace.floor.naming import get_named_unit
from trace.floor.operations.passes import finish_pass, record_passes
from trace.floor.operations.readings import record_readings
from trace.floor.queries import find_due_step, get_open_pass
from trace.floor.readings import list_characteristics, say_asked
from trace.ledger.operation import Request
from trace.web.forms import read_day
from trace.web.kept import once

FIELDS = ("unit", "entered", "out", "read", "result", "within", "doer", "equipment", "cycle")
LINES, SPARE, MOST = 10, 3, 60
"""Lines at first; empty ones below what was typed; the most that are read at once."""

CLOCK = re.compile(r"([01]?[0-9]|2[0-3])[:.]?([0-5][0-9])")
"""Hour and minute, as hands write them."""

RESULTS = [(value, label) for value, label in Pass.Outcome.choices if value in ("passed", "failed", "aborted")]


class LinesRefused(Refusal):
    """Lines of the sheet can't be recorded as they stand; each says why."""

    code = "lines-refused"
    action = "What is wrong stands beside each line. Correct it, or record the others."


class BadLine(Refusal):
    """A field of a line is empty or can't be read."""

    code = "bad-line"
    kind = Kind.UNREADABLE
    action = "Enter it as it stands on the sheet."


@dataclass
class Line:
    """One line: what was typed, and what came of it. `doubts` are why its unit counts as not passed."""

    number: int
    typed: dict[str, str]
    recorded: bool = False
    problem: Refusal | None = None
    doubts: tuple[str, ...] = ()

    @property
    def filled(self) -> bool:
        return bool(self.typed["unit"] or self.typed["out"])


class Sheet:
    """What was sent of a sheet, or an empty one."""

    def __init__(self, request: HttpRequest, station: Station) -> None:
        self.request, self.station = request, station
        sent = request.POST or request.GET
        self.name = UNSTORABLE.sub("", sent.get("sheet", ""))[:40]
        self.day = sent.get("day", "")[:10] or f"{timezone.localdate(now())}"
        self.form = sent.get("form", "")[:40] or uuid4().hex
        count = sum(1 for name in request.POST if name.startswith("unit-"))
        typed = [
            {field: request.POST.get(f"{field}-{number}", "")[:120] for field in FIELDS}
            for number in range(1, min(count, MOST) + 1)
        ]
        saved = set(request.POST.getlist("recorded"))
        self.lines = [Line(number, line, str(number) in saved) for number, line in enumerate(typed, 1)]
        filled = max((line.number for line in self.lines if line.filled), default=0)
        for number in range(len(self.lines) + 1, max(filled + SPARE, LINES) + 1):
            self.lines.append(Line(number, {**dict.fromkeys(FIELDS, ""), "result": "passed", "within": "5"}))

    @property
    def query(self) -> str:
        """By which the page goes on with the same sheet, and says how many lines were recorded."""
        told = {"sheet": self.name, "day": self.day, "lines": sum(line.recorded for line in self.lines)}
        return urlencode(told)

    @property
    def just_recorded(self) -> str:
        """How many lines were, by the address that led here."""
        number = self.request.GET.get("lines", "")
        return number if number.isdecimal() else ""

    @property
    def gated(self) -> bool:
        return self.station.scan_mode == ScanMode.GATED

    @cached_property
    def equipment(self) -> list[Equipment]:
        return list(Equipment.objects.filter(station=self.station, retired=None))

    @cached_property
    def people(self) -> list[Person]:
        """Who may have done it."""
        working = Person.objects.filter(retired=None)
        return [person for person in working if may(person.roles, OPERATIONS["record_passes"])]

    @cached_property
    def asked(self) -> list[tuple[Step, str]]:
        """What the steps of this station ask to be read, in words, in the order in which a line has it."""
        steps = Step.objects.filter(stations=self.station, part__retired=None).select_related("part")
        found = [(step, list_characteristics(step)) for step in steps.order_by("part__key", "number")]
        return [(step, "; ".join(f"{it.name}, {say_asked(it)}" for it in asked)) for step, asked in found if asked]

    @property
    def results(self) -> list[tuple[str, str]]:
        return RESULTS

    @property
    def others(self) -> int:
        """Lines that could be recorded without those that are refused."""
        tried = any(line.problem or line.doubts for line in self.lines)
        return sum(line.filled and not line.recorded and not line.problem for line in self.lines) if tried else 0

    def enter(self) -> None:
        """Record the lines, in their order: all of them, or, where that was asked for, all but those refused. First
        each is tried, and undone. Refuses with LinesRefused, BadDay."""
        read_day(self.day)
        lines = [line for line in self.lines if line.filled and not line.recorded]
        if not lines:
            raise LinesRefused("No line was filled in.", action="Enter what stands on the sheet, a line for each unit.")
        with transaction.atomic():
            for line in lines:
                self._carry_out(line)
            transaction.set_rollback(True)
        rest = self.request.POST.get("what") == "rest"
        refused = [line.number for line in lines if line.problem or line.doubts and not rest]
        if not refused or rest:
            for line in lines:
                if line.problem is None:
                    self._carry_out(line)
                    line.recorded = line.problem is None
        if refused:
            done = sum(line.recorded for line in lines)
            told = f"{done} line{'' if done == 1 else 's'} recorded" if done else "Nothing was recorded yet"
            which = f"line {refused[0]}" if len(refused) == 1 else f"lines {', '.join(map(str, refused))}"
            raise LinesRefused(f"{told}; look at {which}.")

    def _carry_out(self, line: Line) -> None:
        """Record one line, once; what keeps it from that stands in the line afterwards."""
        try:
            told = self._read(line)
            asked = Request(f"paper:{told['by'].key}", f"{self.form}-{line.number}-{told['unit'].key}")
            with transaction.atomic():
                done = once(asked, lambda: self._record(told, asked))
            line.doubts = tuple(str(one) for one in getattr(done[0], "stopped", ())) if isinstance(done, list) else ()
        except Refusal as refusal:
            line.problem = refusal

    def _record(self, told: dict[str, Any], asked: Request) -> Any:
        told = dict(told)
        inside = get_open_pass(told["unit"])
        here = inside if inside and inside.station_id == self.station.pk else None
        if read := told.pop("read", ""):
            self._record_readings(read, here.step if here else find_due_step(told["unit"]), told, asked)
        if here:  # it went in before, by a scan
            names = ("unit", "outcome", "error", "sheet", "doer", "by", "at")
            return finish_pass(**{name: told[name] for name in names if name in told}, request=asked)
        unit = told.pop("unit")
        return record_passes(units=[unit], station=self.station, **told, request=asked)

    def _record_readings(self, text: str, step: Step | None, told: dict[str, Any], asked: Request) -> None:
        """What was read, as the line has it, goes on record before the result. Refuses with BadLine, ReadingRefused."""
        wanted, read = list_characteristics(step) if step else [], [part.strip() for part in text.split(";")]
        if len(read) > len(wanted):
            names = "; ".join(it.name for it in wanted) or "nothing"
            raise BadLine(f"{len(read)} readings stand there; {names} is asked of {told['unit'].key}.")
        record_readings(
            unit=told["unit"],
            readings={str(it.number): value for it, value in zip(wanted, read, strict=False) if value},
            station=self.station,
            equipment=told.get("equipment"),
            judge=told.get("doer"),
            by=told["by"],
            at=told["at"],
            request=Request(asked.client, f"{asked.key}-readings"),
        )

    def _read(self, line: Line) -> dict[str, Any]:
        """The arguments of a line. Refuses with BadLine, NotFound, UnitUnclear, BadKey, BadMoment."""
        typed = {name: text.strip() for name, text in line.typed.items()}
        by: Person = self.request.user.person  # type: ignore[union-attr,assignment]
        told: dict[str, Any] = {"by": by, "outcome": typed["result"], "sheet": clean_text(self.name, 40, "The sheet")}
        if not typed["unit"]:
            raise BadLine("Which unit it was is missing.")
        told["unit"] = get_named_unit(typed["unit"]).unit
        told["at"] = self._moment(typed["out"], "When it came out")
        if self.gated and typed["entered"]:
            told["entered"] = self._moment(typed["entered"], "When it went in")
        if not (typed["within"].isascii() and typed["within"].isdecimal() and len(typed["within"]) < 5):
            raise BadLine("Within how many minutes the times are known is missing.", action="Enter a whole number.")
        told["error"] = timedelta(minutes=int(typed["within"]))
        if typed["read"].strip("; "):
            told["read"] = typed["read"]
        if typed["doer"]:
            told["doer"] = self._find_doer(typed["doer"])
        if typed["equipment"]:
            told["equipment"] = next((one for one in self.equipment if one.key == typed["equipment"]), None)
        if typed["cycle"]:
            if not (typed["cycle"].isascii() and typed["cycle"].isdecimal() and len(typed["cycle"]) < 16):
                raise BadLine(f"“{typed['cycle'][:20]}” is no cycle count.")
            told["positions"] = [(int(typed["cycle"]),) * 2]
        return told

    def _moment(self, text: str, what: str) -> datetime:
        found = CLOCK.fullmatch(text)
        if found is None:
            wrong = f"{what} is missing." if not text else f"“{text[:10]}” is no time of day."
            raise BadLine(wrong, action="Enter hour and minute as they stand on the sheet, such as 06:10 or 0610.")
        return from_ticks(read_moment(f"{self.day}T{found[1]:0>2}:{found[2]}", timezone.get_current_timezone()))

    def _find_doer(self, text: str) -> Person:
        key = read_label(text)[:KEY_LENGTH]
        found = Person.objects.filter(key=key).first()
        if found is None:
            raise NotFound(f"Nobody has the key {key}.", action="Choose who did it from the list.")
        return found
