"""Lists out to CSV files, and back in: all of a file or nothing, with what it changes shown before it does."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail

from trace.core.errors import Refusal
from trace.core.models import Person
from trace.core.permissions import check_permitted
from trace.engineering.cells import LineProblem
from trace.engineering.csv_file import FileTable, Layout, plain, read_csv_file
from trace.engineering.models import Part
from trace.engineering.operations.common import FileRefused
from trace.engineering.rules import shorten
from trace.exchange.lists.kinds import KINDS, Kind, Values, cell
from trace.exchange.spreadsheet import as_told, inert

Table = Mapping[tuple[str, ...], Mapping[str, str]]
"""Lines by what they are known by, their cells by column."""


class ListRefused(FileRefused):
    """A list can't be brought in."""

    code = "list-refused"


@dataclass(frozen=True)
class Change:
    """What is different of one line: it is new, gone, or changed in some columns, each from what to what."""

    what: str
    name: str
    cells: Mapping[str, tuple[str, str]]


@dataclass(frozen=True)
class ListReport:
    """What a list changed, or would change when it is a dry run."""

    kind: Kind
    lines: int
    changes: Sequence[Change]
    ignored: Sequence[str]
    dry_run: bool


def export_list(kind: Kind) -> Iterator[list[str]]:
    """The header, then the lines, as they stand."""
    yield kind.columns
    for values in kind.rows():
        yield [cell(values[name]) for name in kind.columns]


def write_csv(lines: Iterable[Iterable[str]]) -> str:
    """The lines as CSV, in which a spreadsheet finds no formula; read, they say what they said."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([inert(cell) for cell in line] for line in lines)
    return text.getvalue()


def import_list(kind: Kind, *, content: bytes | str, dry_run: bool = False, by: Person, at: datetime) -> ListReport:
    """Bring in a list: lines that are new are made, lines that differ are corrected, the rest stays.

    A column that the file lacks is left as it is on record. What the file does not name stays, but for the lines of a
    part that are written together. Refuses with NotPermitted, and with ListRefused, which names every problem by
    line and column; a dry run refuses the same and changes nothing.
    """
    check_permitted(str(by), by.roles, kind.asks)
    columns = {name: (plain(name),) for name in kind.columns}
    file = read_csv_file(content, Layout(f"list of {kind.title.lower()}", columns, {}), {}, "")
    missing = [name for name in kind.identity if name not in file.columns and name not in kind.defaults]
    if missing and not file.problems:
        file.fault(f"No column gives {', '.join(missing)}.", f"The columns: {', '.join(kind.columns)}.")
    changes: list[Change] = []
    with transaction.atomic():
        before = tabulate(kind)
        records = {kind.identify(values): values.get("") for values in kind.rows()}
        for line, lines in _read(kind, file, before):
            try:
                kind.write(lines, None if kind.owner else records.get(kind.identify(lines[0])), {"by": by, "at": at})
            except FileRefused as refusal:
                what = " ".join(problem.what for problem in refusal.problems)
                file.problems.append(LineProblem(line, "", what, refusal.action))
            except Refusal as refusal:
                file.problems.append(LineProblem(line, "", refusal.message, refusal.action))
        if not file.problems:
            changes = compare(before, tabulate(kind))
        if file.problems or dry_run:
            transaction.set_rollback(True)
    if file.problems:
        raise ListRefused(file.problems)
    return ListReport(kind, len(file.lines), changes, file.ignored, dry_run)


def tabulate(kind: Kind, owner: str = "") -> Table:
    """What is on record, line by line; of one owner alone, if it is given, and then without it."""
    found: dict[tuple[str, ...], dict[str, str]] = {}
    times: Counter[tuple[str, ...]] = Counter()
    for values in kind.rows():
        if owner and cell(values[kind.owner]) != owner:
            continue
        name = kind.identify(values)
        times[name] += 1
        again = (f"({times[name]})",) if times[name] > 1 else ()
        cells = {column: cell(values[column]) for column in kind.columns}
        if owner:
            name, cells = name[1:], {column: text for column, text in cells.items() if column != kind.owner}
        found[(*name, *again)] = cells
    return found


def compare(before: Table, after: Table) -> list[Change]:
    """What is new, gone and changed, in the order of the lines."""
    changes = []
    for name in [*before, *(name for name in after if name not in before)]:
        old, new = before.get(name, {}), after.get(name, {})
        cells = {
            column: (old.get(column, ""), new.get(column, ""))
            for column in (new or old)
            if old.get(column, "") != new.get(column, "")
        }
        if cells:
            what = "changed" if old and new else "new" if new else "gone"
            changes.append(Change(what, " ".join(filter(None, name)), cells))
    return changes


def compare_parts(old: Part, new: Part, hidden: Collection[str] = ()) -> dict[str, list[Change]]:
    """What is different between two parts, by the title of the list in which it is, but for hidden columns."""
    found = {}
    of_parts = KINDS["parts"]
    rows = {values[""].pk: values for values in of_parts.rows() if values[""].pk in (old.pk, new.pk)}
    besides = {"key", "revision", *hidden}
    own: list[Table] = [
        {("",): {name: cell(rows[part.pk][name]) for name in of_parts.columns if name not in besides}}
        for part in (old, new)
    ]
    found["Part"] = compare(*own)
    for kind in KINDS.values():
        if kind.owner and kind.owner_type is Part:
            renamed = _rename(tabulate(kind, new.key), new.key, old.key)
            found[kind.title] = compare(tabulate(kind, old.key), renamed)
    return found


def _rename(table: Table, key: str, other: str) -> Table:
    """A part's lines as if it had another's key: a carton of it names the part itself."""
    return {
        tuple(other if text == key else text for text in name): {
            column: other if text == key else text for column, text in cells.items()
        }
        for name, cells in table.items()
    }


def _read(kind: Kind, file: FileTable, before: Table) -> Iterator[tuple[int, list[Values]]]:
    """(line, values to write, of one line or of one owner) of what is not on record so; problems go to the file."""
    seen: dict[tuple[str, ...], int] = {}
    groups: dict[Any, list[tuple[int, Values]]] = defaultdict(list)
    faulty = set()
    for line, cells in file.lines:
        values = _values(kind, line, cells, file, before)
        name = kind.identify(values or cells)
        if values is None:
            faulty.add(name[0])
        elif not kind.owner and (first := seen.setdefault(name, line)) != line:
            file.problems.append(
                LineProblem(line, "", f"{' '.join(name)} stands in line {first} too.", "Keep one of the lines.")
            )
        else:
            groups[name[0] if kind.owner else name].append((line, values))
    for owner, lines in groups.items():
        told = [{name: cell(value) for name, value in values.items()} for _, values in lines]
        if kind.owner:
            standing = [row for row in before.values() if row[kind.owner] == owner]
        else:
            standing = [before[owner]] if owner in before else []
        same = len(told) == len(standing) and all(
            all(row.get(name, "") == text for name, text in line.items())
            for line, row in zip(told, standing, strict=True)
        )
        if not same and owner not in faulty:
            yield lines[0][0], [values for _, values in lines]


def _values(kind: Kind, line: int, cells: Mapping[str, str], file: FileTable, before: Table) -> Values | None:
    """What the cells of a line say: an empty one its default, a column that the file lacks what is on record; None
    where a cell can't be read, and the problem goes to the file."""
    texts = {name: as_told(text.strip()) for name, text in cells.items()}
    if not kind.owner:
        texts = {**before.get(tuple(texts.get(name, "") for name in kind.identity), {}), **texts}
    lists = {name for name, field in kind.serializer().fields.items() if isinstance(field, serializers.ListField)}
    sent = {name: re.split(r"[\s,;]+", text) if name in lists else text for name, text in texts.items() if text}
    reader = kind.serializer(data=sent)
    fields = reader.fields
    if reader.is_valid():
        empty = {name: kind.defaults[name] for name, text in texts.items() if not text}
        return {**empty, **reader.validated_data}
    for name, errors in reader.errors.items():
        held = [say_fault(fields[name], error) for error in errors] if isinstance(errors, list) else []
        what = " ".join(held) or "It holds something that can't be read."
        told = f"“{shorten(cells.get(name, ''))}”: " if cells.get(name, "").strip() else ""
        file.problems.append(LineProblem(line, file.columns.get(name, name), f"{told}{what}", "Correct the cell."))
    return None


def say_fault(field: serializers.Field, error: ErrorDetail) -> str:
    """What is wrong with a cell."""
    match error.code, field:
        case "required", _:
            return "It may not be empty."
        case "invalid_choice", serializers.ChoiceField():
            return f"It is none of {', '.join(filter(None, map(str, field.choices)))}."
        case "invalid", serializers.IntegerField():
            return "It is no whole number."
        case "invalid", serializers.DecimalField():
            return "It is no number."
        case "invalid", serializers.BooleanField():
            return "It is neither yes nor nothing."
        case "invalid", serializers.DateField():
            return "It is no day such as 2026-11-28."
        case "invalid", serializers.TimeField():
            return "It is no time such as 06:00."
    return str(error)
