"""Reading a bill of material from a CSV file. What a cell may hold is in `bom_cells`; both are pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field

from trace.engineering.bom_cells import FileRow, find_ranges, read_cells
from trace.engineering.csv_file import FileTable, Layout, read_csv_file
from trace.engineering.rules import shorten

COLUMNS: dict[str, tuple[str, ...]] = {
    "designators": (
        *("designator", "designators", "referencedesignator", "referencedesignators", "refdes"),
        *("reference", "references", "ref", "refs", "parts"),
    ),
    "quantity": ("quantity", "qty", "qnty", "quant", "count", "amount"),
    "part_number": (
        *("partnumber", "partno", "part", "pn", "mpn", "manufacturerpartnumber", "manufacturerpartno"),
        *("mfrpartnumber", "mfrpartno", "mfrpn", "mfgpartnumber", "mfgpartno", "mfgpn"),
    ),
    "revision": ("revision", "rev"),
    "value": ("value", "val", "name", "comment"),
    "footprint": ("footprint", "package"),
    "supplier_number": (
        *("suppliernumber", "supplierpartnumber", "supplierpartno", "distributorpartnumber", "distributorpartno"),
        *("ordernumber", "ordercode", "stockcode", "sku", "mouser", "digikey", "farnell", "lcsc"),
    ),
}

LAYOUT = Layout(
    "bill of material",
    COLUMNS,
    {
        "designators or a quantity": ("designators", "quantity"),
        "a part number or a value": ("part_number", "supplier_number", "value"),
    },
)


@dataclass
class BomFile(FileTable):
    """What a file says of a bill of material."""

    rows: list[FileRow] = field(default_factory=list)


def read_bom_file(
    content: bytes | str | FileTable, mapping: Mapping[str, str] | None = None, delimiter: str = ""
) -> BomFile:
    """Read a CSV file as `csv_file.read_csv_file` says, or a table that was read; the fields are those of `COLUMNS`.

    Raises nothing on bad content: see `problems`; where the file or its columns are at fault there are no rows.
    """
    if not isinstance(content, FileTable):
        content = read_csv_file(content, LAYOUT, mapping or {}, delimiter)
    file = BomFile(**deepcopy(vars(content)))
    for line, cells in file.lines:
        row, problems = read_cells(line, cells, file.columns)
        file.rows.append(row)
        file.problems += problems
    file.problems.sort(key=lambda problem: problem.line)
    file.rows = list(_name_places(file))
    file.remarks += _remarks(file.rows)
    return file


def _name_places(file: BomFile) -> Iterator[FileRow]:
    """What has no designator gets one place for all of it, the next free of MP1, MP2, …, so that it can be traced."""
    used = {name.casefold() for row in file.rows for name in row.designators}
    number = 0
    for row in file.rows:
        if row.designators or not row.placeless:
            yield row
            continue
        while f"mp{(number := number + 1)}" in used:
            pass
        file.remarks.append(f"Line {row.line} names no designator: the place of {row.number} is called MP{number}.")
        yield row.at_place(f"MP{number}")


def _remarks(rows: Sequence[FileRow]) -> Iterator[str]:
    for row in rows:
        for name in find_ranges(row.designators):
            yield f"Line {row.line}: {name} is taken for the name of one place, for the quantity is {row.quantity:f}."
    lines: dict[tuple[str, str], dict[str, int]] = defaultdict(dict)
    for row in rows:
        lines[row.number, row.revision].setdefault(row.name, row.line)
    for (number, _), names in lines.items():
        if number and len(names) > 1:
            shown = ", ".join(f"“{shorten(name)}” in line {line}" for name, line in names.items())
            yield f"Part {number} is named in several ways: {shown}. Check that it is one part."
    if own := [row for row in rows if row.number_from == "value"]:
        at, numbers = [str(row.line) for row in own], dict.fromkeys(row.number for row in own)
        yield (
            f"No part number in line {shorten(', '.join(at), 200)}: the plant's own was made of designator letters, "
            f"value and footprint: {shorten(', '.join(numbers), 200)}."
        )
