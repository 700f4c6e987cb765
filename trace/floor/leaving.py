"""Whether a unit passes the step for which it is inside a station. For use inside operations, after their locks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.models import Person
from trace.floor.admission import contents_of
from trace.floor.deviating import Deviated, Permits, record_deviated
from trace.floor.evidence import list_visits, step_on_route
from trace.floor.facts import Facts
from trace.floor.models import Pass
from trace.floor.readings import Window, begin_visit, judge_readings
from trace.floor.route import RouteStep
from trace.floor.rules import READING_OUTSIDE, Stopped, judge
from trace.holds.gate import find_holds
from trace.holds.rules import Move
from trace.ledger.canonical import subject_of

LEAVING = (Move.FINISH,)


def judge_leaving(inside: Pass, outcome: str, scan: int, error: int, by: Person) -> list[Stopped]:
    """What keeps a unit from coming out with this outcome at a scan: a hold, and, if it is to pass, what the step asks
    and was not read, or not good. What a deviation lets by stops nothing: its use is counted.

    `inside` as `get_open_pass` has it.
    """
    return judge_leaving_together([inside], {inside.unit_id: outcome}, scan, error, by).get(inside.unit_id, [])


def judge_leaving_together(
    inside: Sequence[Pass], outcomes: Mapping[int, str], scan: int, error: int, by: Person
) -> dict[int, list[Stopped]]:
    """The same of many, by the ids of the units that are kept; `outcomes` by theirs, too. The number of queries does
    not grow with that of the units, but where it is not sure when they went in."""
    fitted_into = [entry.unit for entry in inside if entry.has_children]
    contents = contents_of(fitted_into) if fitted_into else {}
    things = {entry.unit_id: contents.get(entry.unit_id, [entry.unit]) for entry in inside}
    stations = {entry.station_id: entry.station for entry in inside}
    looked = (
        [*chain.from_iterable(things.values()), *stations.values()]
        if contents or any(entry.on_hold for entry in inside)
        else []
    )
    held = find_holds(Move.FINISH, looked)
    due = {entry.unit_id: step_on_route(entry.step, [entry.station.key], entry.measured) for entry in inside}
    asking = [one for one in inside if one.measured and outcomes[one.unit_id] == Pass.Outcome.PASSED]
    read = judge_readings([_window(one, due[one.unit_id], scan, error) for one in asking]) if asking else {}
    permits = Permits(from_ticks(scan - error), from_ticks(scan + error), LEAVING)
    kept, deviated = dict[int, list[Stopped]](), list[Deviated]()
    for entry in inside:
        unit, step = entry.unit, due[entry.unit_id]
        subjects = {subject_of(thing) for thing in [*things[unit.pk], entry.station]} if held else set()
        facts = Facts(
            unit.key,
            entry.station.key,
            step,
            held=tuple(hold.sentence for hold in held if (hold.target_kind, hold.target_key) in subjects),
            **read.get((unit.pk, step.pk), {}),
        )
        if stopped := judge(facts, LEAVING):
            let_by = permits.let_by(unit, facts, stopped)
            deviated += let_by
            if not let_by:
                kept[unit.pk] = stopped
    record_deviated(deviated, scan, by, to_ticks(now()))
    return kept


def _window(inside: Pass, due: RouteStep, scan: int, error: int) -> Window:
    visits = list_visits(inside.unit) if inside.error else ()  # else its scan in says it
    since = begin_visit(visits, due.pk, inside.scanned_in, scan, inside.error)
    return Window(inside.unit, due.pk, due.number, since, scan + error, due.must_be_read)


def outcome_of(outcome: str, stopped: Sequence[Stopped]) -> str:
    """What a visit that is over comes to, where it was to come to `outcome`: what failed has, however it is stopped
    beside, and what was outside has; whatever else stops a unit has aborted it."""
    if not stopped or outcome == Pass.Outcome.FAILED:
        return outcome
    outside = any(refusal.extra["rule"] == READING_OUTSIDE for refusal in stopped)
    return Pass.Outcome.FAILED if outside else Pass.Outcome.ABORTED
