"""Tables as a spreadsheet file (Office Open XML, ISO/IEC 29500), written row by row: memory stays flat."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from itertools import chain
from tempfile import TemporaryFile
from typing import IO, Any

import xlsxwriter

MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

ROWS = 1_000_000
"""On one sheet; the format ends at 1,048,576."""

Cell = str | int | Decimal | None


def write_workbook(tables: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]]) -> IO[bytes]:
    """A file, read from its beginning, with a sheet for each table (title, heads, rows); a longer table goes on on a
    further sheet. Texts stay texts, whatever a spreadsheet would make of them; numbers are numbers."""
    file = TemporaryFile()  # noqa: SIM115 - whoever sends it closes it
    options: dict[str, Any] = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(file, options) as book:
        bold = book.add_format({"bold": True})
        for title, heads, rows in tables:
            sheet, line = None, 0
            for row in chain([heads], rows):
                if sheet is None or line > ROWS:
                    sheet, line = book.add_worksheet(_sheet_name(title, len(book.worksheets()))), 1
                    sheet.freeze_panes(1, 0)
                    sheet.write_row(0, 0, heads, bold)
                    if row is heads:
                        continue
                for column, cell in enumerate(row):
                    _write(sheet, line, column, cell)
                line += 1
    file.seek(0)
    return file


def _write(sheet: Any, line: int, column: int, cell: Cell) -> None:
    if isinstance(cell, int | Decimal) and not isinstance(cell, bool):
        sheet.write_number(line, column, cell)
    elif cell not in (None, ""):
        sheet.write_string(line, column, str(cell)[:32_767])  # the longest that a cell holds


def _sheet_name(title: str, before: int) -> str:
    """At most 31 characters, none of those that the format refuses, unlike that of another sheet."""
    end = f" {before + 1}" if before else ""
    plain = re.sub(r"[\[\]:*?/\\']", " ", title).strip() or "Rows"
    return f"{plain[: 31 - len(end)]}{end}"
