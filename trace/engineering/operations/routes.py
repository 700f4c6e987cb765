"""How a part is built: its steps in order, where, and what each fills."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from operator import attrgetter

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.equipment import Program
from trace.engineering.models import Characteristic, Designator, Part, Qualification, Station, Step
from trace.engineering.operations.common import changing, check_draft, save_checked
from trace.engineering.rules import run_together


class RouteRefused(Refusal):
    """The route can't be set so."""

    code = "route-refused"
    action = "Correct the steps named and set the whole route again."


@dataclass(frozen=True)
class RouteRow:
    """One step: its number gives the order, `minutes` is its standard time, `stations` the keys of the stations
    that may do it, `designators` what it fills, `caution` what the operator must heed, `instruction` what to do,
    `picture` the SHA-256 of the file that shows it. Steps that follow each other under one name of `free_order` go
    in any order, of those under one name of `alternative` one is enough. `first_piece`: after a changeover the first
    is approved before the next starts; `verification`: whether the set-up is verified by anybody or by another person
    than who loaded it; `sample_every`: one unit in so many is tested; `qualification` is the key of
    what whoever does it must have proved to be able to do, `equipment` the kind of equipment that it needs, `program`
    the key of the program that must be on it; a unit that failed so many `attempts` is not tried again."""

    number: int
    name: str
    stations: Sequence[str] = ()
    minutes: Decimal = Decimal(0)
    caution: str = ""
    designators: Sequence[str] = ()
    instruction: str = ""
    picture: str = ""
    free_order: str = ""
    alternative: str = ""
    first_piece: bool = False
    verification: str = ""
    sample_every: int | None = None
    qualification: str = ""
    equipment: str = ""
    program: str = ""
    attempts: int | None = None


NAMED = frozenset({"stations", "designators", "qualification", "equipment", "program"})
"""What a row says by name or key."""


@changing
def set_route(*, part: Part, rows: Sequence[RouteRow], by: Person, at: datetime) -> list[Step]:
    """Write the route of an assembly or product, and say which step fills which designators.

    After the bill of material, if it names designators; what a draft had before is replaced. Refuses with
    RouteRefused: a part that is not built here; no step; a number that is below 1 or used twice; a step without a
    station, or at one that is unknown or retired; a qualification that there is not; a designator that the assembly
    lacks, that two steps fill, that an alternative fills, or whose bill of material names another step or one that is
    missing here; a first piece of a part that is tracked by lot; steps in free order, or alternatives, that do not
    follow each other; a program that is unknown, or not of the step's kind of equipment; what the record does not
    accept. With Released.
    """
    if not part.level:
        raise RouteRefused(f"{part.number} is not built here.", action="Define it as an assembly first.")
    check_draft(part)
    stations = {
        station.key: station for station in Station.objects.filter(key__in={k for r in rows for k in r.stations})
    }
    designators = {designator.name: designator for designator in Designator.objects.filter(parent=part)}
    wanted = {row.qualification for row in rows if row.qualification}
    qualifications = {one.key: one for one in Qualification.objects.filter(key__in=wanted)}
    problems = [f"There is no qualification {key}." for key in sorted(wanted - qualifications.keys())]
    programs = {program.key: program for program in Program.objects.filter(key__in={r.program for r in rows})}
    problems += _judge_programs(rows, programs)
    if problems := [*_judge(part, rows, stations, designators), *problems]:
        raise RouteRefused(" ".join(problems))

    part.steps.all().delete()
    steps = []
    for row in rows:
        own = {name: value for name, value in vars(row).items() if name not in NAMED}
        step = Step(
            part=part,
            qualification=qualifications.get(row.qualification),
            equipment_kind=row.equipment.strip(),
            program=programs.get(row.program),
            **own,
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
    for label in ("free_order", "alternative"):
        names = [name for name, _ in groupby(sorted(rows, key=lambda row: row.number), attrgetter(label)) if name]
        yield from (f"The steps named {name} do not follow each other." for name in {*names} if names.count(name) > 1)
    filled: dict[str, int] = {}
    for row in rows:
        if row.free_order and row.alternative:
            yield f"Step {row.number} can't be in free order and an alternative."
        if row.number < 1:
            yield f"A step's number can't be {row.number}."
        if row.first_piece and not part.serialised:
            yield f"Step {row.number} asks for a first piece, and {part.key} is tracked by lot."
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
    chosen = alternatives_among(rows)
    for row in rows:
        given = {name for name, designator in designators.items() if designator.step_number == row.number}
        if row.number in chosen and (places := given | set(row.designators)):
            yield f"Step {row.number} fills {run_together(places)}, but {explain_choice(chosen[row.number])}."
    for name, designator in designators.items():
        if designator.step_number is not None and designator.step_number not in numbers:
            yield f"{name} is filled at step {designator.step_number}, which is missing."


def alternatives_among(steps: Iterable[RouteRow | Step]) -> dict[int, str]:
    """{number: the name that it shares} of the steps of which another one may be done instead."""
    named = {step.number: step.alternative for step in steps if step.alternative}
    times = Counter(named.values())
    return {number: name for number, name in named.items() if times[name] > 1}


def explain_choice(alternative: str) -> str:
    """Why an alternative fills no place: whoever takes the other one would later be asked for what is missing."""
    return f"of the steps named {alternative} one is enough: a unit that passed another would lack what is there"


def _judge_programs(rows: Sequence[RouteRow], programs: dict[str, Program]) -> Iterator[str]:
    for row in rows:
        if row.program and row.program not in programs:
            yield f"Step {row.number} names program {row.program[:40]}, which does not exist."
        elif row.program and programs[row.program].kind != row.equipment.strip():
            yield f"Step {row.number} names program {row.program}, which runs on a {programs[row.program].kind}."


@dataclass(frozen=True)
class CharacteristicRow:
    """What is looked at at a step. Measured: its unit of measure, and a lower limit, an upper one, or both, with a
    target within them. Judged: without all of these, by the one who is named as `judge`."""

    step_number: int
    name: str
    unit_of_measure: str = ""
    lower: Decimal | None = None
    target: Decimal | None = None
    upper: Decimal | None = None
    judge: str = ""


class CharacteristicRefused(Refusal):
    """The characteristics can't be set so."""

    code = "characteristic-refused"
    action = "Correct the rows named and set all of them again."


@changing
def set_characteristics(
    *, part: Part, rows: Sequence[CharacteristicRow], by: Person, at: datetime
) -> list[Characteristic]:
    """Write what is measured or judged at the steps of a part, in this order; what a draft had before is replaced.

    Refuses with CharacteristicRefused a part that is tracked by lot, since a reading is of a unit; a step that is not
    on the route, a name that a step has twice, what is neither
    measured against a limit nor judged by somebody, and limits that are out of order; with Released.
    """
    check_draft(part)
    if rows and not part.serialised:
        raise CharacteristicRefused(
            f"{part.key} is tracked by lot: nothing is read of each.",
            action="Say in the step's instruction what is looked at; what is not good is counted out.",
        )
    route = set(part.steps.values_list("number", flat=True))
    names = Counter((row.step_number, row.name.casefold()) for row in rows)
    problems = [f"Step {step} has “{name}” twice." for (step, name), times in names.items() if times > 1]
    problems += [f"“{row.name}”: {what}" for row in rows if (what := _judge_characteristic(row, route))]
    if problems:
        raise CharacteristicRefused(" ".join(problems))
    part.characteristics.all().delete()
    made = [Characteristic(part=part, number=number, **vars(row)) for number, row in enumerate(rows, 1)]
    for characteristic in made:
        save_checked(characteristic, CharacteristicRefused)
    return made


def _judge_characteristic(row: CharacteristicRow, route: set[int]) -> str:
    """What is wrong with a row, or nothing."""
    values = [value for value in (row.lower, row.target, row.upper) if value is not None]
    measured = row.unit_of_measure and (row.lower is not None or row.upper is not None)
    if row.step_number not in route:
        return f"step {row.step_number} is not on the route."
    if bool(measured) == bool(row.judge) or (row.judge and (values or row.unit_of_measure)):
        return "give a unit of measure and a limit if it is measured, or who judges it."
    if values != sorted(values) or (row.lower is not None and row.lower == row.upper):
        return "the lower limit, the target and the upper limit must rise."
    return ""
