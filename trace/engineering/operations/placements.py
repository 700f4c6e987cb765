"""Importing where the parts of an assembly are placed, in their order of insertion, from a file."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.cells import LineProblem
from trace.engineering.csv_file import FileTable
from trace.engineering.models import Part, Placement
from trace.engineering.operations.common import FileRefused, changing, check_draft
from trace.engineering.placement_file import PlacementRow, read_placement_file

TURN = 360
"""Degrees."""


class PlacementsRefused(Refusal):
    """The assembly can't be given these placements."""

    code = "placements-refused"


class PlacementFileRefused(FileRefused):
    """A file can't be imported as placements."""

    code = "placement-file-refused"


@dataclass(frozen=True)
class PlacementReport:
    """What an import made, or would make when it is a dry run, and how it agrees with the bill of material.

    `not_in_bom` are placed but not in the bill of material (fiducials, holes, logos), `not_placed` in it but not
    placed, `do_not_place` marked to stay empty, which is not placed. `columns` is our field to the file's column,
    `ignored` the columns nobody read, `remarks` what was decided and should be looked at.
    """

    assembly: Part
    placements: Sequence[Placement]
    not_in_bom: Sequence[str]
    not_placed: Sequence[str]
    do_not_place: Sequence[str]
    columns: Mapping[str, str]
    ignored: Sequence[str]
    remarks: Sequence[str]
    dry_run: bool


def import_placements(
    *,
    assembly: Part,
    content: bytes | str | FileTable,
    mapping: Mapping[str, str] | None = None,
    delimiter: str = "",
    dry_run: bool = False,
    by: Person,
    at: datetime,
) -> PlacementReport:
    """Write the placements of an assembly from a file, all of them or nothing: insertion is in its lines' order.

    What the bill of material lacks is kept and reported, not refused; if its name stands several times, the first
    is kept. Designators are matched capitals or not, and kept as the bill of material writes them. `content`
    is a CSV file, or a table that was read from another; `mapping` and `delimiter` are as in
    `csv_file.read_csv_file`, the fields those of `placement_file.COLUMNS`.
    What a draft had before is replaced; a released assembly is given placements once. Refuses with PlacementsRefused
    an assembly without a bill of material and a file that places nothing of it; with Released; and with
    PlacementFileRefused, which names every problem by line and column. A dry run refuses the same and changes nothing.
    """
    names = _check_unplaced(assembly)
    file = read_placement_file(content, mapping, delimiter)
    placements, problems, remarks = _resolve(assembly, names, file.rows)
    unread = {(problem.line, problem.column) for problem in file.problems}  # told already
    problems = [dataclasses.replace(problem, column=file.columns.get(problem.column, "")) for problem in problems]
    file.problems += [problem for problem in problems if (problem.line, problem.column) not in unread]
    if file.problems:
        raise PlacementFileRefused(file.problems)
    placed = {placement.designator for placement in placements if not placement.do_not_place}
    if not placed & set(names.values()):
        raise PlacementsRefused(
            f"The file places nothing that is in the bill of material of {assembly.number}.",
            action="Check that the file is of this assembly, and which column names the designators.",
        )
    if not dry_run:
        placements = enter_placements(assembly=assembly, rows=file.rows, digest=file.digest, by=by, at=at)
    return PlacementReport(
        assembly=assembly,
        placements=placements,
        not_in_bom=[p.designator for p in placements if p.designator in placed - set(names.values())],
        not_placed=[name for name in names.values() if name not in placed],
        do_not_place=[p.designator for p in placements if p.do_not_place],
        columns=file.columns,
        ignored=file.ignored,
        remarks=[*file.remarks, *remarks],
        dry_run=dry_run,
    )


@changing
def enter_placements(
    *, assembly: Part, rows: Sequence[PlacementRow], digest: str, by: Person, at: datetime
) -> list[Placement]:
    """Write the placements that the rows give, in their order; `digest` is the file's SHA-256.

    Refuses as `import_placements` does: what was right when the file was read may have changed since.
    """
    placements, problems, _ = _resolve(assembly, _check_unplaced(assembly), rows)
    if problems:
        raise PlacementFileRefused(problems)
    assembly.placements.all().delete()
    return Placement.objects.bulk_create(placements)


def _check_unplaced(assembly: Part) -> dict[str, str]:
    """The designators of the bill of material by their small letters; refuses without, and if released with its own."""
    names = {name.casefold(): name for name in assembly.designators.values_list("name", flat=True)}
    if not names:
        raise PlacementsRefused(
            f"{assembly.number} has no bill of material with designators, which placements are checked against.",
            action="Import its bill of material first.",
        )
    if assembly.placements.exists():
        check_draft(assembly)
    return names


def _judge(line: int, placement: Placement) -> Iterator[LineProblem]:
    """What the record does not accept of a placement."""
    try:
        placement.clean_fields(exclude=["assembly"])
        if not 0 <= placement.rotation < TURN:
            raise ValidationError({"rotation": f"{placement.rotation:f} is not within one turn."})
    except ValidationError as error:
        for name, messages in error.message_dict.items():
            what = f"{placement.designator}, {name}: {' '.join(messages)}"
            yield LineProblem(line, name, what, "Correct the cell.")


def _resolve(
    assembly: Part, names: Mapping[str, str], rows: Sequence[PlacementRow]
) -> tuple[list[Placement], list[LineProblem], list[str]]:
    """The placements, not saved yet, problems with our field in place of the column, and remarks."""
    lines: dict[str, list[int]] = defaultdict(list)
    placements: list[Placement] = []
    problems: list[LineProblem] = []
    for row in rows:
        name = names.get(row.designator.casefold(), row.designator)
        lines[name].append(row.line)
        if len(lines[name]) == 1:
            placement = Placement(assembly=assembly, number=len(placements) + 1, designator=name)
            for field in ("x", "y", "rotation", "side", "value", "do_not_place"):
                setattr(placement, field, getattr(row, field))
            placements.append(placement)
            problems += _judge(row.line, placement)
        elif name.casefold() in names:
            what = f"Designator {name} stands in line {lines[name][0]} too."
            problems.append(LineProblem(row.line, "designator", what, "A part is placed once: take it out of one."))
    remarks = [
        f"{name} is not in the bill of material and stands in {len(at)} lines: only line {at[0]} is kept."
        for name, at in lines.items()
        if name and len(at) > 1 and name.casefold() not in names
    ]
    return placements, problems, remarks
