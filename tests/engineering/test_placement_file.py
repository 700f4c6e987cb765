"""Reading placements from a file: no database."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trace.engineering.placement_file import COLUMNS, PLACE_LIMIT, PlacementFile, find_unit, read_placement_file, turn

from .files import files

HEADER = "Ref,Val,PosX,PosY,Rot,Side"


def sound(text: bytes | str, mapping: dict[str, str] | None = None) -> PlacementFile:
    file = read_placement_file(text, mapping)
    assert file.problems == []
    return file


def problems(text: bytes | str, mapping: dict[str, str] | None = None) -> list[tuple]:
    """Line, column, sentence; a mend goes with each."""
    found = read_placement_file(text, mapping).problems
    assert all(problem.line > 0 and problem.what.endswith(".") and problem.mend.endswith(".") for problem in found)
    return [(problem.line, problem.column, problem.what) for problem in found]


def row(cells: str, header: str = HEADER):
    return sound(f"{header}\n{cells}\n").rows[0]


def test_a_board_as_it_is():
    file = sound(f'{HEADER},Package\n"R2","10K",1.5000,-2.25,-90.0000,top,0603\n\nC1,,0,0,0,B.Cu,\n')
    assert file.columns == {
        "designator": "Ref",
        "x": "PosX",
        "y": "PosY",
        "rotation": "Rot",
        "side": "Side",
        "value": "Val",
    }
    assert file.ignored == ["Package"]
    assert [(r.line, r.designator, r.value, r.x, r.y, r.rotation, r.side, r.do_not_place) for r in file.rows] == [
        (2, "R2", "10K", Decimal("1.5"), Decimal("-2.25"), 270, "top", False),
        (4, "C1", "", 0, 0, 0, "bottom", False),
    ]
    assert file.remarks == ["Nothing names the unit of some x or y: they are taken for mm."]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(encoding):
    assert [r.value for r in sound(f"{HEADER}\nR1,Ä,1,2,0,top\n".encode(encoding)).rows] == ["Ä"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends_are_found_out(delimiter, end):
    text = f"{HEADER}\nR1,10K,1,2,90,top\n".replace(",", delimiter).replace("\n", end)
    assert (sound(text).rows[0].x, sound(text).rows[0].rotation) == (1, 90)


def test_columns_can_be_named_and_missing_ones_are():
    text = "Where,Across,Up,Turned,Face\nR1,1,2,90,top\n"
    assert [what for _, _, what in problems(text)] == [
        f"No column gives the {name}." for name in ("designator", "x", "y", "rotation", "side")
    ]
    mapping = {"designator": "Where", "x": "Across", "y": "up", "rotation": "Turned", "side": "Face"}
    assert sound(text, mapping).rows[0].y == 2
    assert problems(text, {"colour": "Face"})[0][2] == "“colour” is no field of a placement file."
    assert problems("Ref,X,PosX,Y,Rot,Side\n")[0][2] == "Columns “X” (2) and “PosX” (3) may each be x."


@pytest.mark.parametrize(
    ("x", "header", "mm"),
    [
        ("1", "X", "1"),
        ("1", "PosX_mm", "1"),
        ("1000", "X (mil)", "25.4"),
        ("1000", "Mid X(mils)", "25.4"),
        ("2", "X [inch]", "50.8"),
        ("2", "posxin", "50.8"),
        ("2", "Margin", "2"),
        ("1.5mm", "X (mil)", "1.5"),
        ("500 mil", "X", "12.7"),
        ('1"', "X", "25.4"),
        ("+.5", "X", "0.5"),
        ("-0.00002", "X (mil)", "-0.000001"),
        ("3937007.8", "X (mil)", "99999.99812"),
    ],
)
def test_a_length_is_in_the_unit_of_its_cell_else_of_its_header_else_mm(x, header, mm):
    text = f"Ref,{header},Y,Rot,Side\nR1,{x},1mm,0,top\n"
    file = sound(text, {"x": header})
    assert file.rows[0].x == Decimal(mm)
    assert bool(file.remarks) == (header in ("X", "Margin") and not x.endswith(("mm", "mil", '"')))


def test_units_of_headers():
    assert [find_unit(header) for header in ("Y", "posymil", "PosX (MM)", "Lay in", "Skin", "")] == [
        *("", "mil", "mm", "in", "", "")
    ]


@pytest.mark.parametrize("cell", ["1,5", "1e3", "NaN", "--1", "1 2", "12'", "٣٣", "1.5.mm", "1cm", "1" * 10, "mm"])
def test_what_is_no_length(cell):
    assert problems(f'{HEADER}\nR1,,"{cell}",0,0,top\n') == [(2, "PosX", f"“{cell}” is not a length.")]


def test_what_is_too_far_away():
    assert problems(f"{HEADER}\nR1,,0,{PLACE_LIMIT},0,top\nR2,,0,99999.9999999,0,top\n") == [
        (2, "PosY", "“100000” is 100 m or more from the origin."),
        (3, "PosY", "“99999.9999999” is 100 m or more from the origin."),
    ]


@pytest.mark.parametrize(
    ("cell", "degrees"),
    [("0", "0"), ("90°", "90"), ("-90", "270"), ("360", "0"), ("-0", "0"), ("719.5", "359.5"), ("359.99999", "0")],
)
def test_a_rotation_is_within_one_turn(cell, degrees):
    assert row(f"R1,,0,0,{cell},top").rotation == Decimal(degrees)


@given(st.decimals(-(10**9), 10**9, places=12))
def test_every_angle_is_within_one_turn(angle):
    assert 0 <= turn(angle) < 360
    off = abs(turn(angle) - angle) % 360
    assert min(off, 360 - off) <= Decimal("0.00005")


@pytest.mark.parametrize(
    ("cell", "side"),
    [("top", "top"), ("Bottom", "bottom"), ("T", "top"), ("F.Cu", "top"), ("B.Cu", "bottom"), ("TopLayer", "top")],
)
def test_sides(cell, side):
    assert row(f"R1,,0,0,0,{cell}").side == side


@pytest.mark.parametrize(
    ("value", "mark", "empty"),
    [("10K", "", False), ("10K", "no", False), ("10K", "X", True), ("10K DNP", "", True), ("dnf", "0", True)]
    + [("DNPX", "", False), ("", "Do not place", True)],
)
def test_what_is_marked_do_not_place(value, mark, empty):
    assert row(f"R1,{value},0,0,0,top,{mark}", f"{HEADER},DNP").do_not_place is empty


def test_every_line_is_read_to_the_end_and_every_problem_named():
    text = f"{HEADER},DNP\n,,0,0,0,top\nR1,,,x,,inside\nR2,=1,0,0,90 rad,top,perhaps\nR3,,0,0\n{'R' * 61},,1,2,3,top\n"
    assert problems(text) == [
        (2, "Ref", "The line gives no designator."),
        (3, "PosY", "“x” is not a length."),
        (3, "Side", "“inside” is not a side."),
        (3, "PosX", "The line gives no x."),
        (3, "Rot", "The line gives no rotation."),
        (4, "Rot", "“90 rad” is not an angle."),
        (4, "Val", "“=1” is a spreadsheet's formula or error."),
        (4, "DNP", "“perhaps” does not say whether it is placed."),
        (5, "Rot", "The line gives no rotation."),
        (5, "Side", "The line gives no side."),
        (6, "Ref", f"“{'R' * 60}…” is longer than 60 characters."),
    ]


@given(files(COLUMNS), st.dictionaries(st.one_of(st.sampled_from(list(COLUMNS)), st.text(max_size=5)), st.text()))
def test_nothing_makes_it_stumble(content, mapping):
    """Rows, or a sentence by line for each thing that is wrong."""
    problems(content, mapping)
    file = read_placement_file(content, mapping)
    assert file.rows or file.problems
    for problem in file.problems:
        str(problem).encode()
