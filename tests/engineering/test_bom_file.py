"""Reading a bill of material from a file: no database."""

import codecs
import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.engineering.bom_cells import NUMBER_LENGTH, own_number
from trace.engineering.bom_file import COLUMNS, BomFile, read_bom_file
from trace.engineering.csv_file import MAX_BYTES, MAX_LINES
from trace.engineering.models import Part

from .files import files

# Lines as layout programs write them: a range, a line without a number, one without a place.
BOARD = """\
Item,Qty,Reference(s),Value,Order Code
1,3,"C1, C2, C30",10uF 16V,667-A
2,4,R1-R4,10K,603-B
3,1,JP1,JOYSTICK EN,-

4,1,-,Bracket,534-C
"""


def sound(text: bytes | str, mapping: dict[str, str] | None = None, delimiter: str = "") -> BomFile:
    file = read_bom_file(text, mapping, delimiter)
    assert file.problems == []
    return file


def problems(text: bytes | str, mapping: dict[str, str] | None = None, delimiter: str = "") -> list[tuple]:
    """Line, column, sentence; a mend goes with each."""
    found = read_bom_file(text, mapping, delimiter).problems
    assert all(
        problem.line > 0 and problem.what.endswith(".") and problem.mend.endswith((".", "…")) for problem in found
    )
    return [(problem.line, problem.column, problem.what) for problem in found]


def test_a_board_as_it_is():
    file = sound(BOARD)
    assert file.columns == {
        "designators": "Reference(s)",
        "quantity": "Qty",
        "value": "Value",
        "supplier_number": "Order Code",
    }
    assert file.ignored == ["Item"]
    assert [(row.line, row.number, row.name, row.designators, row.quantity, row.each) for row in file.rows] == [
        (2, "667-A", "10uF 16V", ("C1", "C2", "C30"), 3, 1),
        (3, "603-B", "10K", ("R1", "R2", "R3", "R4"), 4, 1),
        (4, "OWN-JP-JOYSTICK-EN", "JOYSTICK EN", ("JP1",), 1, 1),
        (6, "534-C", "Bracket", ("MP1",), 1, 1),
    ]
    assert file.remarks == [
        "Line 6 names no designator: the place of 534-C is called MP1.",
        "No part number in line 4: the plant's own was made of designator letters, value and footprint: "
        "OWN-JP-JOYSTICK-EN.",
    ]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(encoding):
    content = "Ref,Value,MPN\nR1,10 µ,Ä-1\n".encode(encoding)
    assert [(row.number, row.name) for row in sound(content).rows] == [("Ä-1", "10 μ")]


def test_what_is_no_text():
    assert problems(b"Ref,MPN\nR1,\x81\n") == [(1, "", "The file is neither UTF-8 nor Windows-1252 text.")]
    assert problems(codecs.BOM_UTF16_LE + b"x") == [(1, "", "The file is neither UTF-8 nor Windows-1252 text.")]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends_are_found_out(delimiter, end):
    text = end.join(delimiter.join(cells) for cells in [("Ref", "Qty", "MPN"), ("R1 R2", "2", "A-1")])
    row = sound(text).rows[0]
    assert (row.designators, row.quantity, row.number) == (("R1", "R2"), 2, "A-1")


def test_a_delimiter_can_be_given():
    assert sound("Ref#MPN\nR1#A,1\n", delimiter="#").rows[0].number == "A,1"
    for wrong in ("##", '"', " ", "\0", "\n"):
        assert "can't part columns" in problems("Ref,MPN\nR1,A\n", delimiter=wrong)[0][2]


def test_columns_can_be_named():
    text = "Where,How many,What,Name,Part\nR1,1,A-1,10K,x\n"
    row = sound(text, {"designators": "Where", "quantity": "how MANY", "part_number": "What"}).rows[0]
    assert (row.designators, row.quantity, row.number, row.name) == (("R1",), 1, "A-1", "10K")
    assert sound(text, {"designators": "Where", "part_number": "", "quantity": ""}).rows[0].number == "OWN-R-10K"


def test_columns_that_are_missing_unknown_or_unclear_are_named_together():
    text = "Ref,MPN,Part Number,Qty\nR1,A,B,1\n"
    assert problems(text) == [(1, "MPN", "Columns “MPN” (2) and “Part Number” (3) may each be part_number.")]
    assert problems(text, {"number": "MPN", "value": "Val"})[:2] == [
        (1, "MPN", "“number” is no field of a bill of material."),
        (1, "Val", "The file has no such column."),
    ]
    assert sound(text, {"part_number": "MPN"}).rows[0].number == "A"
    assert problems("Ref,Ref,MPN\n")[0][2].startswith("Columns “Ref” (1) and “Ref” (2)")
    assert problems("MPN,Price\nA,1\n") == [(1, "", "No column gives designators or a quantity.")]
    assert problems("Ref,Price\nR1,1\n") == [(1, "", "No column gives a part number or a value.")]


@pytest.mark.parametrize("text", ["", "\n\n", "  \n\t\n", b"", codecs.BOM_UTF8])
def test_an_empty_file(text):
    assert problems(text) == [(1, "", "The file is empty.")]


def test_a_file_without_lines_or_with_too_many():
    assert problems("Ref,MPN\n") == [(1, "", "The file has a header, but no lines.")]
    assert problems("Ref,MPN\n" + "".join(f"R{n},A\n" for n in range(MAX_LINES + 1)))[-1][0] == MAX_LINES + 2
    assert problems("x," * 300) == [(1, "", "The header has 301 columns.")]
    assert "bytes" in problems(b"Ref,MPN\n" + b"x" * MAX_BYTES)[0][2]


def test_every_line_is_read_to_the_end_and_every_problem_named():
    text = 'Ref,Qty,MPN\nR1,one,A\nR2,2,"B"x\nR3,1,=1+1\nR4,1,A,B\n,,C\nR5,1,\nR6,#REF!,\x00\nR7,1,"A\n'
    assert problems(text) == [
        (2, "Qty", "“one” is not a quantity."),
        (3, "", "The line can't be read as CSV: ',' expected after '\"'."),
        (4, "MPN", "“=1+1” is a spreadsheet's formula or error."),
        (5, "", "The line has 4 cells, but the header names 3 columns."),
        (6, "Qty", "The line gives neither designators nor a quantity."),
        (7, "MPN", "The line gives neither a part number nor a value."),
        (8, "Qty", "“#REF!” is a spreadsheet's formula or error."),
        (8, "MPN", "“\\u0000” has a character that can't be shown."),
        (9, "", "The line can't be read as CSV: unexpected end of data."),
    ]


def test_a_line_is_counted_where_it_begins():
    assert problems('Ref,Qty,MPN\n"R1,\nR2",2,A\n"R3\n\n",x,A\n') == [(4, "Qty", "“x” is not a quantity.")]


@pytest.mark.parametrize(
    "cell",
    ["1e999", "NaN", "Infinity", "-1", "+1", "1,000", "1.", "0x10", "١٢", "1 000", "½", "1_0", "9" * 21, "x" * 999],
)
def test_what_is_no_quantity(cell):
    file = io.StringIO()
    csv.writer(file).writerows([["Ref", "Qty", "MPN"], ["R1", cell, "A"]])
    ((line, column, what),) = problems(file.getvalue())
    assert (line, column) == (2, "Qty")
    assert what.endswith("is not a quantity.")


@pytest.mark.parametrize(("cell", "quantity"), [("2", 2), (" 2.0 ", 2), ("002", 2), ("２", 2), ("", 2), ("-", 2)])
def test_what_is_a_quantity(cell, quantity):
    assert sound(f"Ref,Qty,MPN\nR1 R2,{cell},A\n").rows[0].quantity == Decimal(quantity)


@pytest.mark.parametrize(
    ("cell", "quantity", "designators"),
    [
        ("R1-R3", 3, "R1 R2 R3"),
        ("R1-3", 3, "R1 R2 R3"),
        ("R1 - R3", 3, "R1 R2 R3"),
        ("R1..R3,C1", 4, "R1 R2 R3 C1"),
        ("R1–R3", 3, "R1 R2 R3"),
        ("R1…R3", 3, "R1 R2 R3"),
        ("R08-R10", 3, "R08 R09 R10"),
        ("J1-2", 1, "J1-2"),
        ("J1-2,J1-4", 2, "J1-2 J1-4"),
        ("R1-R3,R7-R8", 5, "R1 R2 R3 R7 R8"),
        ("R3-R1", 1, "R3-R1"),
        ("U1A-U1C", 1, "U1A-U1C"),
        ("R_BODGE1, IRQ2;XTL1", 3, "R_BODGE1 IRQ2 XTL1"),
        (" C1 , C2 ,", 2, "C1 C2"),
    ],
)
def test_designators(cell, quantity, designators):
    assert sound(f'Ref,Qty,MPN\n"{cell}",{quantity},A\n').rows[0].designators == tuple(designators.split())


@pytest.mark.parametrize(
    ("cell", "quantity", "says"),
    [
        ("R1-R4", "3", "R1-R4 can mean 1 or 4 designators here, and the quantity 3 is neither."),
        ("R1-R4", "", "R1-R4 can mean 1 or 4 designators here, and the quantity is not given."),
        ("R1-R999999999", "999999999", "R1-R999999999 is a range of more than 1,000 designators."),
    ],
)
def test_a_range_that_is_unclear(cell, quantity, says):
    assert problems(f"Ref,Qty,MPN\n{cell},{quantity},A\n") == [(2, "Ref", says)]


def test_a_range_taken_for_one_name_is_remarked():
    assert sound("Ref,Qty,MPN\nR1-R3,1,A\nR4-R5,2,A\n").remarks == [
        "Line 2: R1-R3 is taken for the name of one place, for the quantity is 1."
    ]


def test_what_has_no_designator_gets_the_next_free_place():
    rows = sound("Ref,Qty,MPN\n,2.5,GLUE\nmp1,1,A\n~,4,SCREW\n").rows
    assert [(row.designators, row.quantity, row.each) for row in rows] == [
        (("MP2",), Decimal("2.5"), Decimal("2.5")),
        (("mp1",), 1, 1),
        (("MP3",), 4, 4),
    ]


def test_one_number_for_two_values_is_remarked():
    file = sound("Ref,Value,MPN\nR1,10k,X\nR2,12k,X\nR3,10k,X\n")
    assert file.remarks == [
        "Part X is named in several ways: “10k” in line 2, “12k” in line 3. Check that it is one part."
    ]


def test_own_numbers():
    assert own_number(("C8", "C10"), "12pF", "C_0603") == "OWN-C-12pF-C_0603"
    assert own_number(("R_BODGE1",), "1m", "") != own_number(("R1",), "1M", "")
    assert own_number((), "Bracket Mount", "") == "OWN-Bracket-Mount"
    long = own_number(("U1",), "x" * 98, "y" * 60)
    assert len(long) == NUMBER_LENGTH
    assert long != own_number(("U1",), "x" * 98, "y" * 59)
    assert Part._meta.get_field("number").max_length == NUMBER_LENGTH


def test_cells_that_are_too_long_are_named_by_their_length():
    assert problems(f"Ref,Value,MPN\nR1,{'v' * 99},{'n' * 61}\n") == [
        (2, "MPN", f"“{'n' * 60}…” is longer than 60 characters."),
        (2, "Value", f"“{'v' * 60}…” is longer than 98 characters."),
    ]


def test_braces_are_only_braces():
    assert problems("Ref,Qty,MPN\nR1,{what},A\n") == [(2, "Qty", "“{what}” is not a quantity.")]


FILES = files(COLUMNS)


@given(FILES, st.dictionaries(st.one_of(st.sampled_from(list(COLUMNS)), st.text(max_size=5)), st.text(max_size=5)))
def test_nothing_makes_it_stumble(content, mapping):
    """Rows that fit the record, or a sentence by line for each thing that is wrong."""
    file = read_bom_file(content, mapping)
    problems(content, mapping)
    assert file.rows or file.problems
    for problem in file.problems:
        str(problem).encode()
    if not file.problems:
        for row in file.rows:
            assert row.number
            assert row.designators
            assert row.quantity.is_finite()
            assert len(row.number) <= NUMBER_LENGTH
            assert len(row.name) <= 160
