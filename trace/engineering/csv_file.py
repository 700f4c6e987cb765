"""Reading a table from a CSV file as the plant gets it: encoding, delimiter, columns, lines.

What a cell may hold is in `cells`, what a table is for in `bom_file` and `placement_file`; all are pure. Every
problem in the file is found in one reading.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from trace.engineering.cells import LineProblem
from trace.engineering.rules import shorten

MAX_BYTES = 2_000_000
MAX_LINES = 5_000
MAX_COLUMNS = 200
DELIMITERS = ",;\t|"


@dataclass(frozen=True)
class Layout:
    """What a table may hold. `columns` are our fields, and the headers that mean them: in small letters, of letters
    and digits only. `needed` are fields of which one must have a column, by how they are called together."""

    title: str
    columns: Mapping[str, Sequence[str]]
    needed: Mapping[str, Sequence[str]]


@dataclass
class FileTable:
    """What a file says: the cells of each line by our fields, the column of each field, the columns nobody reads.

    `digest` is the file's SHA-256, by which the ledger knows it.
    """

    digest: str
    lines: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    ignored: list[str] = field(default_factory=list)
    problems: list[LineProblem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def fault(self, what: str, mend: str, line: int = 1) -> FileTable:
        """Say what is wrong with the file or a whole line."""
        self.problems.append(LineProblem(line, "", what, mend))
        return self


def read_csv_file(content: bytes | str, layout: Layout, mapping: Mapping[str, str], delimiter: str) -> FileTable:
    """Read a CSV file whose first line that is not empty names the columns.

    Bytes are UTF-16 with a byte order mark, UTF-8, or else Windows-1252. `mapping` gives fields of the layout their
    column, "" none; the others are found by their usual headers. The delimiter is the one of comma, semicolon, tab
    and bar under which most columns are recognised. Raises nothing on bad content: see `problems`; where the file
    or its columns are at fault there are no lines.
    """
    file = FileTable(
        hashlib.sha256(content if isinstance(content, bytes) else content.encode(errors="surrogatepass")).hexdigest()
    )
    again = f"Export the {layout.title} again"
    if len(content) > MAX_BYTES:
        return file.fault(f"The file has more than {MAX_BYTES:,} bytes.", "Import one assembly at a time.")
    text = content if isinstance(content, str) else decode(content)
    if text is None:
        return file.fault("The file is neither UTF-8 nor Windows-1252 text.", "Save it as CSV in UTF-8.")
    if delimiter and delimiter != "\t" and (len(delimiter) != 1 or not delimiter.isprintable() or delimiter in '" '):
        return file.fault(f"“{shorten(delimiter)}” can't part columns.", "Give one character.")
    text = text.removeprefix("\ufeff")
    delimiter = delimiter or max(DELIMITERS, key=lambda sign: _recognised(text, sign, layout))
    table = _table(text, delimiter)
    line, header = next(table, (1, None))
    if header is None:
        return file.fault("The file is empty.", f"{again}, with its header.")
    if isinstance(header, str):
        return file.fault(header, f"{again}, with its header.", line)
    if len(header) > MAX_COLUMNS:
        return file.fault(f"The header has {len(header):,} columns.", f"Keep those that matter, {MAX_COLUMNS} at most.")
    header = [shorten(" ".join(cell.split())) for cell in header]
    indices = _find_columns(file, layout, line, header, mapping)
    if not file.problems:
        _read_lines(file, table, len(header), indices)
        if not file.lines and not file.problems:
            file.fault("The file has a header, but no lines.", f"{again}.")
    return file


def plain(header: str) -> str:
    """A header as layouts know it: compatible characters made one, small letters and digits only."""
    return "".join(c for c in unicodedata.normalize("NFKC", header).casefold() if c.isalnum())


def decode(content: bytes) -> str | None:
    """The text of a file; None where it is none in any of the encodings."""
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


def _recognised(text: str, delimiter: str, layout: Layout) -> tuple[int, int]:
    """How many columns this delimiter makes of the header: known ones, all."""
    _, header = next(_table(text, delimiter), (0, ""))
    cells = [] if isinstance(header, str) else [plain(cell) for cell in header[:MAX_COLUMNS]]
    return sum(any(cell in known for known in layout.columns.values()) for cell in cells), len(cells)


def _find_columns(
    file: FileTable, layout: Layout, line: int, header: list[str], mapping: Mapping[str, str]
) -> dict[str, int]:
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
        if name not in layout.columns:
            what, fields = f"“{shorten(name)}” is no field of a {layout.title}.", ", ".join(layout.columns)
            problem(column, what, f"The fields: {fields}.")
        elif column:
            same = [index for index, cell in enumerate(header) if cell == column.strip()]
            found = same or [index for index, cell in enumerate(header) if plain(cell) == plain(column)]
            if not found:
                problem(column, "The file has no such column.", f"It has {shorten(', '.join(header), 300)}.")
            take(name, found)
    taken = set(indices.values())
    for name, known in layout.columns.items():
        if name not in mapping:
            take(name, [i for i, cell in enumerate(header) if i not in taken and plain(cell) in known])
    if not file.problems:
        for words, names in layout.needed.items():
            if not indices.keys() & set(names):
                named = " or ".join(f"{name}=…" for name in names)
                problem("", f"No column gives {words}.", f"Name the column: {named}.")
    file.columns = {name: header[index] for name, index in indices.items()}
    file.ignored = [cell for index, cell in enumerate(header) if cell and index not in indices.values()]
    return indices


def _read_lines(
    file: FileTable, table: Iterator[tuple[int, list[str] | str]], width: int, indices: Mapping[str, int]
) -> None:
    for count, (line, cells) in enumerate(table):
        if count == MAX_LINES:
            file.fault(f"The file has more than {MAX_LINES:,} lines.", "Import one assembly at a time.", line)
            break
        if isinstance(cells, str):
            file.fault(cells, "Put quotes around a cell that holds a delimiter, a quote or a line break.", line)
            continue
        if any(cell.strip() for cell in cells[width:]):
            what = f"The line has {len(cells)} cells, but the header names {width} columns."
            file.fault(what, "Put quotes around a cell that holds the delimiter.", line)
        file.lines.append((line, {name: cells[index] for name, index in indices.items() if index < len(cells)}))
