"""What passed a line, how long it took, what is done, what is on the floor: one statement each, whatever the number of
stations. Reads only."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from django.db.models import Case, CharField, Exists, F, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce

from trace.core import sql
from trace.core.clock import DAY, from_ticks, to_ticks
from trace.engineering.models import Station, Step
from trace.floor.models import Pass, WorkOrder
from trace.floor.route import list_due
from trace.quality.lines import Line
from trace.quality.periods import Period
from trace.quality.rules import middle

MOST_UNITS = 20_000
"""So many units of a line's products are looked at for those on the floor, the newest: the answer stays quick."""

TENTH = timedelta(milliseconds=100)
CLOSED = ~Q(outcome__in=[Pass.Outcome.NONE, Pass.Outcome.VOID]) & Q(superseded=None)


class Tries(NamedTuple):
    """So many passes of one kind closed, `lately` of them since a moment; `first` of their unit at the step, or not."""

    station: int
    step: int
    outcome: str
    first: bool
    number: int
    lately: int


class Done(NamedTuple):
    """So many units of an order came onto the line at one moment and left it at another."""

    part: int
    order: int
    started: int
    gone: int
    number: int


class OnLine(NamedTuple):
    """A unit that has not left the line: where it is inside, or at which steps it is due. `begun`: it was scanned on
    the line. Since when that is so; the open end where nothing is known of it."""

    key: str
    part: int
    order: int
    state: str
    steps: tuple[Step, ...]
    station: int | None
    since: int
    begun: bool

    def stands_at(self, line: Line) -> list[int]:
        """The ids of the stations where it is inside, or may go next."""
        return [self.station] if self.station else [at.pk for step in self.steps for at in line.stations_of(step)]


INSIDE, WAITING, ELSEWHERE, TO_COME = "inside", "waiting", "at other stations", "still to come"


def list_tries(line: Line, since: datetime, until: datetime, lately: datetime) -> list[Tries]:
    """What closed there in a window, counted."""
    rows = _fetch("tries", line, since, until, steps=list(line.steps), lately=to_ticks(lately))
    return [Tries(*row) for row in rows]


def find_cycles(line: Line, since: datetime, until: datetime, shifts: Iterable[datetime]) -> dict[int, timedelta]:
    """By the station's id, how long it had work for a unit: the median over the units that closed in a window. `shifts`
    are when they begin."""
    counted: dict[int, list[tuple[int, int]]] = defaultdict(list)
    begins = [to_ticks(begins) for begins in shifts]
    for station, tenths, units in _fetch("cycles", line, since, until, steps=list(line.steps), begins=begins):
        counted[station].append((int(tenths), int(units)))
    return {station: TENTH * (middle(times) or 0) for station, times in counted.items()}


def list_done(line: Line, since: datetime, until: datetime) -> list[Done]:
    """What left the line in a window, counted."""
    return [Done(*row) for row in _fetch("done", line, since, until, steps=list(line.steps), last=line.last)]


def list_planned(line: Line, day: date) -> set[int]:
    """The ids of the orders that are to be built by a day: those due later are not, those without a day are."""
    orders = WorkOrder.objects.filter(part__in=line.parts, closed=None).exclude(due__gt=day)
    return set(orders.values_list("pk", flat=True))


def list_units(line: Line) -> Iterator[OnLine]:
    """Every unit of the line's products that is on the floor and has not left the line."""
    rows = sql.fetch(__file__, "floor", parts=list(line.parts), most=MOST_UNITS)
    for _, key, part, order, passes, skips in rows:
        visits = json.loads(passes or "[]")
        passed = {step for step, _, outcome, _ in visits if outcome == Pass.Outcome.PASSED}
        passed |= {step for (step,) in json.loads(skips or "[]")}
        on_line = [step for turn in line.turns[part] for step in turn]
        if not list_due(on_line, passed):
            continue
        begun = any(step in line.steps for step, *_ in visits)
        since = max((at for *_, at in visits), default=0)
        inside = next((visit for visit in visits if not visit[2]), None)
        if inside and inside[0] in line.steps:
            yield OnLine(key, part, order, INSIDE, (line.steps[inside[0]],), inside[1], inside[3], begun)
            continue
        due = tuple(step for step in list_due(line.routes[part], passed) if step.pk in line.steps)
        waits = bool(visits and due and not inside)
        state = WAITING if waits else ELSEWHERE if begun else TO_COME
        yield OnLine(key, part, order, state, due if waits else (), None, since, begun)


def list_passes(line: Line, period: Period) -> QuerySet[Pass]:
    """The passes that are counted in a period, the latest first: `gone` is when each closed, `right` whether it passed,
    `first_try` whether it was its unit's first of the step."""
    since, until = to_ticks(period.since), to_ticks(period.until)
    gone = Coalesce("scanned_out", "ended")
    tried = Pass.objects.filter(CLOSED, unit=OuterRef("unit"), step=OuterRef("step")).annotate(then=gone)
    earlier = tried.filter(Q(then__lt=OuterRef("gone")) | Q(then=OuterRef("gone"), pk__lt=OuterRef("pk")))
    found = Pass.objects.filter(CLOSED, station__in=line.stations, step__in=line.steps, began__lt=until)
    found = found.filter(Q(began__gte=since - DAY) | Q(ended__gt=F("began") + DAY, ended__gte=since))
    return (
        found.annotate(gone=gone)
        .filter(gone__gte=since, gone__lt=until)
        .annotate(
            right=_yes_or_no(Q(outcome=Pass.Outcome.PASSED)),
            first_try=_yes_or_no(~Exists(earlier)),
        )
        .select_related("unit__part", "step", "station", "by")
        .order_by("-gone", "-pk")
    )


def find_latest_pass(line: Line) -> datetime | None:
    """When the latest passes of a line's stations closed."""
    passes = Pass.objects.filter(CLOSED, station=OuterRef("pk"), step__in=line.steps).order_by("-began")
    gone = passes.annotate(gone=Coalesce("scanned_out", "ended")).values("gone")[:1]
    found = Station.objects.filter(pk__in=[station.pk for station in line.stations]).annotate(gone=Subquery(gone))
    latest = max((one for one in found.values_list("gone", flat=True) if one is not None), default=None)
    return None if latest is None else from_ticks(latest)


def _yes_or_no(holds: Any) -> Case:
    return Case(When(holds, then=Value("yes")), default=Value("no"), output_field=CharField())


def _fetch(name: str, line: Line, since: datetime, until: datetime, **more: Any) -> list[tuple]:
    stations = [station.pk for station in line.stations]
    window = {"since": to_ticks(since), "until": to_ticks(until)}
    return sql.fetch(__file__, name, _FRAGMENTS, stations=stations, **window, **more)


_FRAGMENTS: Mapping[str, str] = {
    "visits": sql.load_sql(__file__, "visits", "").replace("{day}", str(DAY)),
}
