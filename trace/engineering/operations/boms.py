"""What is in an assembly, and what may take its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import BomLine, Designator, PanelPlace, Part, Substitute
from trace.engineering.operations.common import changing, check_draft, save_checked
from trace.engineering.operations.routes import alternatives_among, explain_choice
from trace.engineering.rules import BomRow, Problem, judge_bom, run_together

STEPS = 2**31
"""Below it are the numbers of steps."""


class BomRefused(Refusal):
    """The bill of material can't be set so. `extra["problems"]` has every problem with its row, from 0."""

    code = "bom-refused"
    action = "Correct the rows named and set the whole bill of material again."


class SubstituteRefused(Refusal):
    """The part can't take the other's place."""

    code = "substitute-refused"


class PanelRefused(Refusal):
    """The panel can't be set so."""

    code = "panel-refused"
    action = "Correct the places named and set the whole panel again."


@changing
def set_bom(*, assembly: Part, rows: Sequence[BomRow], by: Person, at: datetime) -> list[BomLine]:
    """Write the bill of material of an assembly: its lines in this order, their designators in theirs.

    Two rows may name one part: they stay two lines. What a draft had before is replaced; a designator keeps its
    step where its row gives none. Refuses with BomRefused when the assembly is none, and every row that `judge_bom`
    finds wrong or whose step is not on the assembly's route, or is an alternative; with Released.
    """
    check_open(assembly)
    if not rows:
        raise BomRefused("A bill of material needs at least one row.")
    if problems := [*judge_bom(assembly.level, rows), *_judge_steps(assembly, rows)]:
        raise BomRefused(
            f"The bill of material of {assembly.number} is not right: "
            + " ".join(f"Row {problem.row + 1}: {problem.what} {problem.mend}" for problem in problems),
            problems=problems,
        )
    return write_lines(assembly, rows)


def check_open(assembly: Part) -> None:
    """Refuse what can't have a bill of material with BomRefused, and what is released with Released."""
    if not assembly.level:
        raise BomRefused(
            f"{assembly.number} is a {assembly.get_kind_display()}: nothing is in it.",
            action="Define it as an assembly.",
        )
    check_draft(assembly)


def write_lines(assembly: Part, rows: Sequence[BomRow]) -> list[BomLine]:
    """The rows, judged before, as records, in place of those that a draft had."""
    steps = dict(assembly.designators.values_list("name", "step_number"))
    Substitute.objects.filter(line__parent=assembly).delete()
    assembly.designators.all().delete()
    assembly.lines.all().delete()
    lines = BomLine.objects.bulk_create(
        BomLine(
            parent=assembly,
            child=row.part,
            parent_level=assembly.level,
            child_level=row.part.level,
            number=number,
            quantity=row.quantity,
        )
        for number, row in enumerate(rows, 1)
    )
    Designator.objects.bulk_create(
        Designator(
            parent=assembly, line=line, name=name, quantity=row.each, step_number=row.step_number or steps.get(name)
        )
        for line, row in zip(lines, rows, strict=True)
        for name in row.designators
    )
    return lines


def _judge_steps(assembly: Part, rows: Sequence[BomRow]) -> list[Problem]:
    """Where there is a route, rows name its steps only; else the route is held to them when it is set, and a number is
    one that a step can have."""
    steps = list(assembly.steps.all())
    route, chosen = {step.number for step in steps} or range(1, STEPS), alternatives_among(steps)
    problems = []
    for number, row in enumerate(rows):
        if row.step_number is not None and row.step_number not in route:
            what, mend = f"Step {row.step_number} is not on the route.", "Name one of its steps."
            problems.append(Problem(number, "step_number", what, mend))
        elif row.step_number in chosen and row.designators:
            fills = f"Step {row.step_number} would fill {run_together(row.designators)}"
            what = f"{fills}, but {explain_choice(chosen[row.step_number])}."
            problems.append(Problem(number, "step_number", what, "Name a step before or after them."))
    return problems


@changing
def approve_substitute(*, assembly: Part, part: Part, substitute: Part, by: Person, at: datetime) -> list[Substitute]:
    """Approve `substitute` wherever `part` is designed into `assembly`: on each of its lines.

    Refuses with SubstituteRefused when the part is not in the assembly or the substitute is approved already,
    is the part itself, is retired, is measured or tracked otherwise, or does not stand below the assembly.
    """
    lines = list(BomLine.objects.filter(parent=assembly, child=part))
    reasons = {
        f"{part.number} is not in {assembly.number}.": not lines,
        f"{part.number} needs no approval in its own place.": substitute == part,
        f"{substitute.number} is retired.": substitute.retired,
        f"{substitute.number} is approved already.": Substitute.objects.filter(
            line__in=lines, part=substitute
        ).exists(),
        f"{substitute.number} is counted in {substitute.unit_of_measure}, {part.number} in {part.unit_of_measure}.": (
            substitute.unit_of_measure != part.unit_of_measure
        ),
        f"One of {part.number} and {substitute.number} is tracked by serial, the other by lot.": (
            substitute.serialised != part.serialised
        ),
        f"{substitute.number} stands at level {substitute.level}, which is not below the assembly's.": (
            substitute.level >= assembly.level
        ),
    }
    if wrong := [reason for reason, holds in reasons.items() if holds]:
        raise SubstituteRefused(" ".join(wrong), action="Name a part that fits the same places in the same way.")
    return Substitute.objects.bulk_create(Substitute(line=line, part=substitute) for line in lines)


@dataclass(frozen=True)
class PanelRow:
    """A board's place in a panel: its number as printed there, the board, mm from the panel's origin, degrees."""

    number: int
    board: Part
    x: Decimal = Decimal(0)
    y: Decimal = Decimal(0)
    rotation: Decimal = Decimal(0)


@changing
def set_panel(*, panel: Part, rows: Sequence[PanelRow], by: Person, at: datetime) -> list[PanelPlace]:
    """Where the boards stand in a panel; what a draft had before is replaced.

    Refuses with PanelRefused a panel or a board that is not built here, a place named twice, a board that does not
    stand below the panel, and what the record does not accept; with Released.
    """
    check_draft(panel)
    numbers = Counter(row.number for row in rows)
    problems = [f"Place {number} stands there {times} times." for number, times in numbers.items() if times > 1]
    for row in rows:
        if not 0 < row.board.level < panel.level:
            problems.append(f"{row.board.number} is no board below the level of the panel, {panel.level}.")
    if problems:
        raise PanelRefused(" ".join(problems))
    panel.panel_places.all().delete()
    places = [PanelPlace(panel=panel, **vars(row)) for row in rows]
    for place in places:
        save_checked(place, PanelRefused)
    return places
