"""How a part is built: its steps in order, where, and what each fills."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.equipment import Program
from trace.engineering.models import Designator, Part, Station, Step
from trace.engineering.operations.common import changing, save_checked


class RouteRefused(Refusal):
    """The route can't be set so."""

    code = "route-refused"
    action = "Correct the steps named and set the whole route again."


@dataclass(frozen=True)
class RouteRow:
    """One step: its number gives the order, `minutes` is its standard time, `stations` the keys of the stations
    that may do it, `designators` what it fills, `caution` what the operator must heed, `equipment` the
    kind of equipment that it needs, `program` the key of the program that must be on it."""

    number: int
    name: str
    stations: Sequence[str] = ()
    minutes: Decimal = Decimal(0)
    caution: str = ""
    designators: Sequence[str] = ()
    equipment: str = ""
    program: str = ""


@changing
def set_route(*, part: Part, rows: Sequence[RouteRow], by: Person, at: datetime) -> list[Step]:
    """Write the route of an assembly or product, and say which step fills which designators.

    Written once, after the bill of material if it names designators; a changed one is a new revision.
    Refuses with RouteRefused: a part that is not built here or has a route; no step; a number that is below 1
    or used twice; a step without a station, or at one that is unknown or retired; a designator that the
    assembly lacks, that two steps fill, or whose bill of material names another step or one that is missing here;
    a program that is unknown, or not of the step's kind of equipment.
    """
    if not part.level:
        raise RouteRefused(f"{part.number} is not built here.", action="Define it as an assembly first.")
    if part.steps.exists():
        raise RouteRefused(f"{part.number} has its route.", action="Define a new revision for the changed one.")
    stations = {
        station.key: station for station in Station.objects.filter(key__in={k for r in rows for k in r.stations})
    }
    designators = {designator.name: designator for designator in Designator.objects.filter(parent=part)}
    programs = {program.key: program for program in Program.objects.filter(key__in={r.program for r in rows})}
    if problems := [*_judge(part, rows, stations, designators), *_judge_programs(rows, programs)]:
        raise RouteRefused(" ".join(problems))

    steps = []
    for row in rows:
        step = Step(
            part=part,
            number=row.number,
            name=row.name,
            minutes=row.minutes,
            caution=row.caution,
            equipment_kind=row.equipment.strip(),
            program=programs.get(row.program),
        )
        save_checked(step, RouteRefused)
        step.stations.set(stations[key] for key in row.stations)
        for name in row.designators:
            designators[name].step_number = row.number
        steps.append(step)
    Designator.objects.bulk_update(designators.values(), ["step_number"])
    return steps


def _judge(
    part: Part, rows: Sequence[RouteRow], stations: dict[str, Station], designators: dict[str, Designator]
) -> Iterator[str]:
    if not rows:
        yield "A route needs at least one step."
    numbers = Counter(row.number for row in rows)
    yield from (f"Step {number} stands there {count} times." for number, count in numbers.items() if count > 1)
    filled: dict[str, int] = {}
    for row in rows:
        if row.number < 1:
            yield f"A step's number can't be {row.number}."
        if not row.stations:
            yield f"Step {row.number} has no station."
        for key in row.stations:
            if key not in stations:
                yield f"Step {row.number} names station {key}, which does not exist."
            elif stations[key].retired:
                yield f"Step {row.number} names station {key}, which is retired."
        for name in row.designators:
            designed = designators[name].step_number if name in designators else None
            if name not in designators:
                yield f"Step {row.number} fills {name}, which {part.number} does not have."
            elif designed not in (None, row.number):
                yield f"Step {row.number} fills {name}, which the bill of material gives to step {designed}."
            if filled.setdefault(name, row.number) != row.number:
                yield f"Step {row.number} fills {name}, which step {filled[name]} fills."
    for name, designator in designators.items():
        if designator.step_number is not None and designator.step_number not in numbers:
            yield f"{name} is filled at step {designator.step_number}, which is missing."


def _judge_programs(rows: Sequence[RouteRow], programs: dict[str, Program]) -> Iterator[str]:
    for row in rows:
        if row.program and row.program not in programs:
            yield f"Step {row.number} names program {row.program[:40]}, which does not exist."
        elif row.program and programs[row.program].kind != row.equipment.strip():
            yield f"Step {row.number} names program {row.program}, which runs on a {programs[row.program].kind}."
