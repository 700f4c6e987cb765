"""Spreadsheet files, read back by another library (openpyxl)."""

from __future__ import annotations

from decimal import Decimal
from typing import IO

import openpyxl
import pytest

from trace.exchange import workbook
from trace.exchange.workbook import write_workbook


def read(file: IO[bytes]) -> dict[str, list[list[object]]]:
    with file:
        book = openpyxl.load_workbook(file)
        return {sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)] for sheet in book}


def test_texts_stay_texts_and_numbers_numbers() -> None:
    odd = ["=1+1", "+44 20", "-", "@SUM(A1)", "http://x.example/", "0012", "é ☃ \u202f", "x" * 40_000]
    heads = ["Text", "Count", "Amount", "Nothing"]
    rows = [[text, number, Decimal("12.50"), None] for number, text in enumerate(odd)]
    (found,) = read(write_workbook([("Units", heads, rows)])).values()
    assert found[0] == heads
    assert [row[0] for row in found[1:]] == [*odd[:-1], "x" * 32_767]
    assert [row[1:] for row in found[1:]] == [[number, 12.5, None] for number in range(len(odd))]


def test_a_sheet_for_each_table_with_a_name_that_the_format_takes() -> None:
    titles = ["Shipped to [Oslo] / Bergen: all of them, at once", "Units", "Units"]
    found = read(write_workbook([(title, ["A"], []) for title in titles]))
    assert len(found) == 3 and all(rows == [["A"]] for rows in found.values())
    assert all(len(name) <= 31 and not set(name) & set("[]:*?/\\'") for name in found)


def test_a_long_table_goes_on_on_another_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "ROWS", 3)
    sheets = read(write_workbook([("Units", ["N"], ([n] for n in range(7)))]))
    assert [rows[0] for rows in sheets.values()] == [["N"]] * 3
    assert [row[0] for rows in sheets.values() for row in rows[1:]] == list(range(7))
