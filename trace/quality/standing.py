"""How a line stands in a period: against plan, where its units are, how fast each station is, what is right the first
time. The page and the API say the same."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from functools import cached_property

from trace.core.clock import from_ticks, to_ticks
from trace.engineering.calendar import DAY, Calendar, list_runs
from trace.engineering.models import Part, Station, Step
from trace.engineering.queries import get_calendar
from trace.floor.models import Pass
from trace.quality.lines import Line, get_line
from trace.quality.periods import Period, available_between, make_meter, read_period
from trace.quality.queries import (
    INSIDE,
    WAITING,
    Done,
    OnLine,
    Tries,
    find_cycles,
    find_latest_pass,
    list_done,
    list_planned,
    list_tries,
    list_units,
)
from trace.quality.rules import (
    defects_per_million,
    due_by_now,
    find_slowest,
    is_below,
    lead_time,
    middle,
    rolled_yield,
    spread,
    takt,
    yield_of,
)

HOUR = timedelta(hours=1)
MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True)
class AtStation:
    """A station of the line. `oldest` and `middle` are how long units have been inside it or have waited for it, in
    microseconds; `pace` and `lately` units an hour of work in the period and in the last hour; `cycle` for how long it
    has work for a unit, `takt` for how long it has time."""

    station: Station
    steps: Sequence[Step]
    inside: int
    waiting: int
    oldest: int | None
    middle: int | None
    passed: int
    not_passed: int
    lately: int | None
    pace: Fraction | None
    cycle: timedelta | None
    takt: timedelta | None
    first_pass: Fraction | None
    slowest: bool


@dataclass(frozen=True)
class OfPart:
    """A product of the line: how many are to be built in the days of the period, are done, and are to be by now. Of so
    many of its steps that somebody tried, the yields make the rolled one."""

    part: Part
    to_build: int
    done: int
    due: int
    takt: timedelta | None
    rolled: Fraction | None
    tried: int
    steps: int
    defects: Fraction | None


@dataclass(frozen=True)
class Standing:
    """A line in a period, as it stands at a moment."""

    line: Line
    period: Period
    at: datetime
    calendar: Calendar

    # What is on record ------------------------------------------------------------------------------------------------

    @cached_property
    def tries(self) -> list[Tries]:
        return list_tries(self.line, self.period.since, self.period.until, self.at - HOUR)

    @cached_property
    def cycles(self) -> dict[int, timedelta]:
        since, until = self.period.since, self.period.until
        begins = [run.begins for run in list_runs(self.calendar, since - DAY, until)]
        return find_cycles(self.line, since, until, begins)

    @cached_property
    def gone(self) -> list[Done]:
        """What left the line since the period's days began: what did after them was still to be built in them."""
        begins = min(self.period.begins, self.period.since)
        return list_done(self.line, begins, max(self.at, self.period.until))

    @cached_property
    def units(self) -> list[OnLine]:
        return list(list_units(self.line))

    # Against plan -----------------------------------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether the period is not over."""
        return self.at < self.period.until

    @cached_property
    def worked(self) -> timedelta:
        """How long the plant has worked in the period."""
        return available_between(self.calendar, self.period.since, min(self.at, self.period.until))

    @cached_property
    def available(self) -> timedelta:
        """How long the plant works on the days of the period."""
        return available_between(self.calendar, self.period.begins, self.period.ends)

    @cached_property
    def done(self) -> list[Done]:
        """What left the line in the period."""
        since, until = to_ticks(self.period.since), to_ticks(self.period.until)
        return [one for one in self.gone if since <= one.gone < until]

    @cached_property
    def to_build(self) -> Counter[int]:
        """By the part's id, how many of it were to be built when the period's days began: what has left the line since
        then, and what has not left it, of the orders that were planned."""
        planned = list_planned(self.line, self.period.last)
        count: Counter[int] = Counter()
        for one in self.gone:
            count[one.part] += one.number * (one.order in planned)
        for unit in self.units:
            count[unit.part] += unit.order in planned
        return count

    @cached_property
    def parts(self) -> list[OfPart]:
        """Its products that are to be built, were built, or were tried."""
        tries: dict[int, list[Tries]] = defaultdict(list)
        for one in self.tries:
            tries[self.line.steps[one.step].part_id].append(one)
        done: Counter[int] = Counter()
        for gone in self.done:
            done[gone.part] += gone.number
        wanted = [pk for pk in self.line.parts if self.to_build[pk] or done[pk] or tries[pk]]
        return [self._describe_part(pk, tries[pk], done[pk]) for pk in wanted]

    def _describe_part(self, pk: int, tries: Sequence[Tries], done: int) -> OfPart:
        # Alternatives are one process: a unit goes through one of them.
        turns = [turn for steps in self.line.turns[pk] for turn in ([steps] if steps[0].alternative else zip(steps))]
        yields = [_first_pass(one for one in tries if one.step in {step.pk for step in turn}) for turn in turns]
        return OfPart(
            self.line.parts[pk],
            to_build=self.to_build[pk],
            done=done,
            due=due_by_now(self.to_build[pk], self.worked, self.available),
            takt=takt(self.available, Fraction(self.to_build[pk])),
            rolled=rolled_yield(yields),
            tried=sum(one is not None for one in yields),
            steps=len(yields),
            defects=defects_per_million(
                sum(one.number for one in tries if one.outcome != Pass.Outcome.PASSED), sum(one.number for one in tries)
            ),
        )

    # At each station --------------------------------------------------------------------------------------------------

    @cached_property
    def loads(self) -> dict[int, Fraction]:
        """By the station's id, how many units come by there of all that are to be built; where nothing is, of one of
        each product."""
        loads: dict[int, Fraction] = defaultdict(Fraction)
        planned = self.to_build.total()
        for part, turns in self.line.turns.items():
            for turn in turns:
                for step in turn:
                    together = turn if step.alternative else [step]
                    stations = [at.pk for one in together for at in self.line.stations_of(one)]
                    for at in self.line.stations_of(step):
                        loads[at.pk] += (self.to_build[part] if planned else 1) * spread(stations, step.sample_every)
        return loads

    @cached_property
    def stations(self) -> list[AtStation]:
        """Its stations, in the order in which units come by."""
        standing: dict[int, list[OnLine]] = defaultdict(list)
        for unit in self.units:
            for pk in unit.stands_at(self.line):
                standing[pk].append(unit)
        slowest = find_slowest(self.cycles, self.loads)
        tries: dict[int, list[Tries]] = defaultdict(list)
        for one in self.tries:
            tries[one.station].append(one)
        return [
            self._describe(station, standing[station.pk], tries[station.pk], station.pk == slowest)
            for station in self.line.stations
        ]

    def _describe(self, at: Station, units: Sequence[OnLine], tries: Sequence[Tries], slowest: bool) -> AtStation:
        ages = [max(to_ticks(self.at) - unit.since, 0) for unit in units]
        passed = sum(one.number for one in tries if one.outcome == Pass.Outcome.PASSED)
        count = sum(one.number for one in tries)
        return AtStation(
            at,
            [step for step in self.line.steps.values() if at in step.stations.all()],
            inside=sum(unit.state == INSIDE for unit in units),
            waiting=sum(unit.state == WAITING for unit in units),
            oldest=max(ages, default=None),
            middle=middle((age, 1) for age in ages),
            passed=passed,
            not_passed=count - passed,
            lately=sum(one.lately for one in tries) if self.running else None,
            pace=count * Fraction(HOUR // MICROSECOND, self.worked // MICROSECOND) if self.worked else None,
            cycle=self.cycles.get(at.pk),
            takt=takt(self.available, self.loads[at.pk]) if self.to_build.total() else None,
            first_pass=self.first_pass_at(at),
            slowest=slowest,
        )

    def first_pass_at(self, station: Station) -> Fraction | None:
        """The first-pass yield of a station."""
        return _first_pass(one for one in self.tries if one.station == station.pk)

    @cached_property
    def slowest(self) -> AtStation | None:
        return next((one for one in self.stations if one.slowest), None)

    # Flow -------------------------------------------------------------------------------------------------------------

    @property
    def in_process(self) -> int:
        """How many units have begun on the line and have not left it."""
        return sum(unit.begun for unit in self.units)

    @property
    def expected_lead(self) -> timedelta | None:
        """How long a unit takes through by Little's law, of the time worked."""
        return lead_time(self.in_process, sum(one.number for one in self.done), self.worked)

    @cached_property
    def measured_lead(self) -> timedelta | None:
        """How long those took that left the line in the period, from their first scan on it, of the time worked: the
        mean."""
        if not self.done:
            return None
        since, until = min(one.started for one in self.done), max(one.gone for one in self.done)
        read = make_meter(self.calendar, from_ticks(since), from_ticks(until))
        took = [(read(from_ticks(one.gone)) - read(from_ticks(one.started))) * one.number for one in self.done]
        return sum(took, timedelta()) / sum(one.number for one in self.done)

    # In words ---------------------------------------------------------------------------------------------------------

    @property
    def sentence(self) -> str:
        """The answer: against plan, and who sets the pace."""
        slow = self.slowest
        if slow is None or slow.cycle is None:
            return f"{self._say_plan()} No station’s pace is known."
        against = f" against {say_seconds(slow.takt)}" if slow.takt else ""
        return f"{self._say_plan()} {slow.station.key} is the slowest: {say_seconds(slow.cycle)} a unit{against}."

    def _say_plan(self) -> str:
        done, due = sum(one.done for one in self.parts), sum(one.due for one in self.parts)
        name = self.line.name[:1].upper() + self.line.name[1:]
        if not self.to_build.total():
            return f"{name}: {done} done {self.period.words}; no order was due."
        against = "on plan" if done == due else f"{abs(due - done)} {'behind' if done < due else 'ahead of'} plan"
        return (
            f"{name} is {against}: {done} done {self.period.words}, {due} due by {'now' if self.running else 'then'}."
        )


def ask_line(
    at: datetime, area: str | None = None, product: str | None = None, period: str = "", first: str = "", last: str = ""
) -> Standing:
    """How a line stands, as `get_line` and `read_period` take what is asked for. Refuses with NotFound, BadPeriod."""
    line, calendar = get_line(area, product), get_calendar()
    return Standing(line, read_period(period, first, last, calendar, at, lambda: find_latest_pass(line)), at, calendar)


def list_below_limit(at: datetime) -> list[tuple[Station, Fraction]]:
    """The stations whose first-pass yield over the last seven days is below its limit, with it."""
    if not Station.objects.filter(yield_limit__isnull=False).exists():
        return []
    standing = ask_line(at, "", "", "week")
    found = ((station, standing.first_pass_at(station)) for station in standing.line.stations)
    return [(station, share) for station, share in found if share is not None and is_below(share, station.yield_limit)]


def say_seconds(time: timedelta) -> str:
    """A time per unit: whole seconds, of short ones with a tenth."""
    seconds = time.total_seconds()
    return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.1f} s"


def _first_pass(tries: Iterable[Tries]) -> Fraction | None:
    """The first-pass yield of what was tried."""
    first = [one for one in tries if one.first]
    return yield_of(
        sum(one.number for one in first if one.outcome == Pass.Outcome.PASSED), sum(one.number for one in first)
    )
