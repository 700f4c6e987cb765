"""Importing a bill of material from a file, with the parts it needs."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from trace.core.models import Person
from trace.engineering.bom_cells import FileRow
from trace.engineering.bom_file import read_bom_file
from trace.engineering.cells import LineProblem
from trace.engineering.csv_file import FileTable
from trace.engineering.models import BomLine, Part
from trace.engineering.operations.boms import check_open, write_lines
from trace.engineering.operations.common import FileRefused, changing
from trace.engineering.operations.master import free_part_key
from trace.engineering.rules import BomRow, judge_bom
from trace.ledger.operation import note


class BomFileRefused(FileRefused):
    """A file can't be imported as a bill of material."""

    code = "bom-file-refused"


@dataclass(frozen=True)
class BomReport:
    """What an import made, or would make when it is a dry run.

    `columns` is our field to the file's column, `ignored` the columns nobody read, `remarks` what was decided
    and should be looked at: places named, own part numbers, one part named in several ways.
    """

    assembly: Part
    rows: Sequence[BomRow]
    new_parts: Sequence[Part]
    columns: Mapping[str, str]
    ignored: Sequence[str]
    remarks: Sequence[str]
    dry_run: bool

    @property
    def designators(self) -> int:
        """How many places the rows fill."""
        return sum(len(row.designators) for row in self.rows)


def import_bom(
    *,
    assembly: Part,
    content: bytes | str | FileTable,
    mapping: Mapping[str, str] | None = None,
    delimiter: str = "",
    dry_run: bool = False,
    by: Person,
    at: datetime,
) -> BomReport:
    """Write an assembly's bill of material from a file, all of it or nothing.

    Each line of the file is one line of the bill of material, also where two name the same part: what the
    designer kept apart stays apart. Parts that are not there yet are defined as components: number, revision
    and name as the file gives them, counted in pieces, costing nothing until `set_costs`. A line without
    designators gets one place for all of it. `content` is a CSV file, or a table that
    was read from another; `mapping` and `delimiter` are as in `csv_file.read_csv_file`.
    Refuses with BomRefused what is no assembly, with Released, and with BomFileRefused, which
    names every problem by line and column. A dry run refuses the same and changes nothing.
    """
    check_open(assembly)
    file = read_bom_file(content, mapping, delimiter)
    rows, problems = _resolve(assembly, file.rows)
    # A line whose cells could not be read is judged by what stands in for them: its own problem is enough.
    unread = {(problem.line, problem.column) for problem in file.problems}
    for problem in problems:
        told_by = [problem.column, *(["designators"] if problem.column == "quantity" else [])]
        if not any((problem.line, file.columns.get(field, field)) in unread for field in told_by):
            column = file.columns.get(problem.column, problem.column)
            file.problems.append(dataclasses.replace(problem, column=column))
    if file.problems:
        raise BomFileRefused(file.problems)
    new = {(part.number, part.revision) for part in _new_parts(rows)}
    if not dry_run:
        enter_bom(assembly=assembly, rows=file.rows, digest=file.digest, by=by, at=at)
        rows, _ = _resolve(assembly, file.rows)  # with the parts as they are now on record
    parts = {id(row.part): row.part for row in rows}.values()
    return BomReport(
        assembly=assembly,
        rows=rows,
        new_parts=[part for part in parts if (part.number, part.revision) in new],
        columns=file.columns,
        ignored=file.ignored,
        remarks=file.remarks,
        dry_run=dry_run,
    )


@changing
def enter_bom(*, assembly: Part, rows: Sequence[FileRow], digest: str, by: Person, at: datetime) -> list[BomLine]:
    """Define the parts that the rows need and write the bill of material; `digest` is the file's SHA-256.

    Refuses as `import_bom` does: what was right when the file was read may have changed since.
    """
    check_open(assembly)
    bom, problems = _resolve(assembly, rows)
    if problems:
        raise BomFileRefused(problems)
    new = _new_parts(bom)
    for part in new:
        part.key = free_part_key(part.number, part.revision)
        part.save(force_insert=True)
    note(*new)
    return write_lines(assembly, bom)


def _new_parts(rows: Sequence[BomRow]) -> list[Part]:
    return list({id(row.part): row.part for row in rows if row.part._state.adding}.values())


def _resolve(assembly: Part, rows: Sequence[FileRow]) -> tuple[list[BomRow], list[LineProblem]]:
    """The rows with their parts, new ones not saved yet; problems with our field in place of the column."""
    known: dict[str, list[Part]] = defaultdict(list)
    for part in Part.objects.filter(number__in={row.number for row in rows}).order_by("revision"):
        known[part.number].append(part)
    made: dict[tuple[str, str], Part] = {}
    problems: list[LineProblem] = []
    bom: list[BomRow] = []
    for row in rows:
        found = [part for part in known[row.number] if row.revision in ("", part.revision)]
        found = [part for part in found if not part.retired] or found
        found = [part for part in found if part.revision == row.revision] or found
        if len(found) > 1:
            revisions = ", ".join(part.revision or "(none)" for part in found)
            what, mend = f"{row.number} has revisions {revisions}.", "Give the revision in a column of its own."
            problems.append(LineProblem(row.line, row.number_from, what, mend))
        part = (
            found[0]
            if found
            else made.setdefault(
                (row.number, row.revision), Part(number=row.number, revision=row.revision, name=row.name)
            )
        )
        bom.append(BomRow(part, row.quantity, row.designators, row.each))
    for judged in judge_bom(assembly.level, bom, lambda number: f"line {rows[number].line}"):
        row = rows[judged.row]
        field = row.number_from if judged.field == "part" else judged.field
        problems.append(LineProblem(row.line, field, judged.what, judged.mend))
    return bom, problems
