"""Reading a bill of material from a CSV file as the plant gets it: encoding, delimiter, columns, lines.

What a cell may hold is in `bom_cells`; both are pure. Every problem in the file is found in one reading.
"""

from __future__ import annotations

import codecs
import csv
import io
import unicodedata
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from trace.engineering.bom_cells import FileRow, LineProblem, find_ranges, read_cells
from trace.engineering.rules import shorten

MAX_BYTES = 2_000_000
MAX_LINES = 5_000
MAX_COLUMNS = 200
DELIMITERS = ",;\t|"

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
"""Our fields, and the headers that mean them: in small letters, of letters and digits only."""


@dataclass
class BomFile:
    """What a file says: its rows, the column of each field, the columns nobody reads, problems and remarks."""

    rows: list[FileRow] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    ignored: list[str] = field(default_factory=list)
    problems: list[LineProblem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def read_bom_file(content: bytes | str, mapping: Mapping[str, str] | None = None, delimiter: str = "") -> BomFile:
    """Read a CSV file whose first line that is not empty names the columns.

    Bytes are UTF-16 with a byte order mark, UTF-8, or else Windows-1252. `mapping` gives our fields (the keys of
    `COLUMNS`) their column, "" none; the others are found by their usual headers. The delimiter is the one of
    comma, semicolon, tab and bar under which most columns are recognised. Raises nothing on bad content: see
    `problems`; where the file or its columns are at fault there are no rows.
    """
    file = BomFile()
    if len(content) > MAX_BYTES:
        return _fault(file, f"The file has more than {MAX_BYTES:,} bytes.", "Import one assembly at a time.")
    text = content if isinstance(content, str) else _decode(content)
    if text is None:
        return _fault(file, "The file is neither UTF-8 nor Windows-1252 text.", "Save it as CSV in UTF-8.")
    if delimiter and delimiter != "\t" and (len(delimiter) != 1 or not delimiter.isprintable() or delimiter in '" '):
        return _fault(file, f"“{shorten(delimiter)}” can't part columns.", "Give one character.")
    text = text.removeprefix("\ufeff")
    delimiter = delimiter or max(DELIMITERS, key=lambda sign: _recognised(text, sign))
    table = _table(text, delimiter)
    line, header = next(table, (1, None))
    if header is None:
        return _fault(file, "The file is empty.", "Export the bill of material again, with its header.")
    if isinstance(header, str):
        return _fault(file, header, "Export the bill of material again, with its header.", line)
    if len(header) > MAX_COLUMNS:
        return _fault(
            file, f"The header has {len(header):,} columns.", f"Keep those that matter, {MAX_COLUMNS} at most."
        )
    header = [shorten(" ".join(cell.split())) for cell in header]
    indices = _find_columns(file, line, header, mapping or {})
    if not file.problems:
        _read_rows(file, table, header, indices)
    return file


def _fault(file: BomFile, what: str, mend: str, line: int = 1) -> BomFile:
    file.problems.append(LineProblem(line, "", what, mend))
    return file


def _decode(content: bytes) -> str | None:
    wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return None


def _table(text: str, delimiter: str) -> Iterator[tuple[int, list[str] | str]]:
    """(line, cells) of each row that is not empty; (line, what is wrong) of each that can't be read."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield line, f"The line can't be read as CSV: {error}."
            continue
        if any(cell.strip() for cell in cells):
            yield line, cells


def _recognised(text: str, delimiter: str) -> tuple[int, int]:
    """How many columns this delimiter makes of the header: known ones, all."""
    _, header = next(_table(text, delimiter), (0, ""))
    cells = [] if isinstance(header, str) else [_plain(cell) for cell in header[:MAX_COLUMNS]]
    return sum(any(cell in known for known in COLUMNS.values()) for cell in cells), len(cells)


def _plain(header: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKC", header).casefold() if c.isalnum())


def _find_columns(file: BomFile, line: int, header: list[str], mapping: Mapping[str, str]) -> dict[str, int]:
    """Which field stands in which column; what is missing, unknown or unclear becomes a problem."""
    indices: dict[str, int] = {}

    def problem(column: str, what: str, mend: str) -> None:
        file.problems.append(LineProblem(line, shorten(column), what, mend))

    def take(name: str, found: Sequence[int]) -> None:
        if len(found) > 1:
            shown = " and ".join(f"“{header[index]}” ({index + 1})" for index in found)
            problem(header[found[0]], f"Columns {shorten(shown, 300)} may each be {name}.", "Say which, or rename one.")
        elif found:
            indices[name] = found[0]

    for name, column in mapping.items():
        if name not in COLUMNS:
            problem(
                column, f"“{shorten(name)}” is no field of a bill of material.", f"The fields: {', '.join(COLUMNS)}."
            )
        elif column:
            same = [index for index, cell in enumerate(header) if cell == column.strip()]
            found = same or [index for index, cell in enumerate(header) if _plain(cell) == _plain(column)]
            if not found:
                problem(column, "The file has no such column.", f"It has {shorten(', '.join(header), 300)}.")
            take(name, found)
    taken = set(indices.values())
    for name, known in COLUMNS.items():
        if name not in mapping:
            take(name, [i for i, cell in enumerate(header) if i not in taken and _plain(cell) in known])
    if not file.problems and not indices.keys() & {"designators", "quantity"}:
        problem("", "No column gives designators or a quantity.", "Name the column: designators=… or quantity=….")
    if not file.problems and not indices.keys() & {"part_number", "supplier_number", "value"}:
        problem("", "No column gives a part number or a value.", "Name the column: part_number=… or value=….")
    file.columns = {name: header[index] for name, index in indices.items()}
    file.ignored = [cell for index, cell in enumerate(header) if cell and index not in indices.values()]
    return indices


def _read_rows(
    file: BomFile, table: Iterator[tuple[int, list[str] | str]], header: list[str], indices: dict[str, int]
) -> None:
    for count, (line, cells) in enumerate(table):
        if count == MAX_LINES:
            _fault(file, f"The file has more than {MAX_LINES:,} lines.", "Import one assembly at a time.", line)
            break
        if isinstance(cells, str):
            _fault(file, cells, "Put quotes around a cell that holds a delimiter, a quote or a line break.", line)
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            _fault(
                file,
                f"The line has {len(cells)} cells, but the header names {len(header)} columns.",
                "Put quotes around a cell that holds the delimiter.",
                line,
            )
        row, problems = read_cells(
            line, {name: cells[index] for name, index in indices.items() if index < len(cells)}, file.columns
        )
        file.rows.append(row)
        file.problems += problems
    if not file.rows and not file.problems:
        _fault(file, "The file has a header, but no lines.", "Export the bill of material again.")
    file.rows = list(_name_places(file))
    file.remarks += _remarks(file.rows)


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
