"""Reading IPC-2581: the board, what is refused, and that nothing but the file is read.

The sample is written by hand from the element and attribute names of the standard, from memory; no file of another
program and no schema was at hand to hold it against.
"""

import contextlib
from decimal import Decimal

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.factories import make_person
from trace.core.clock import now
from trace.engineering.bom_file import read_bom_file
from trace.engineering.csv_file import FileTable
from trace.engineering.models import BomLine, Part, Placement
from trace.engineering.operations import (
    BomFileRefused,
    PlacementFileRefused,
    PlacementsRefused,
    define_part,
    import_bom,
    import_placements,
)
from trace.engineering.placement_file import read_placement_file
from trace.engineering.queries import list_insertion_order
from trace.exchange.ipc2581 import MAX_BYTES, is_xml, read_bom, read_placements

BOARD = """\
<?xml version="1.0" encoding="UTF-8"?>
<IPC-2581 revision="B" xmlns="http://webstds.ipc.org/2581">
  <Content roleRef="Owner"><FunctionMode mode="ASSEMBLY"/><StepRef name="board"/><BomRef name="bom"/></Content>
  <Bom name="bom">
    <BomHeader assembly="BOARD" revision="A"><StepRef name="board"/></BomHeader>
    <BomItem OEMDesignNumberRef="603-B" quantity="2" pinCount="4" category="ELECTRICAL" description="10K">
      <RefDes name="R1" packageRef="R0603" populate="true" layerRef="TOP"/>
      <RefDes name="R2" packageRef="R0603" populate="true" layerRef="BOTTOM"/>
      <RefDes name="R3" packageRef="R0603" populate="false" layerRef="TOP"/>
      <Characteristics category="ELECTRICAL"/>
    </BomItem>
    <BomItem OEMDesignNumberRef="667-A" quantity="1.0E0" pinCount="2" category="ELECTRICAL" description="">
      <RefDes name="C1" packageRef="C1206" layerRef="TOP"/>
    </BomItem>
    <BomItem OEMDesignNumberRef="JP" quantity="1" pinCount="2" category="ELECTRICAL" description="Jumper">
      <RefDes name="JP1" packageRef="JP" populate="false" layerRef="TOP"/>
    </BomItem>
    <BomItem OEMDesignNumberRef="534-C" quantity="1" category="MECHANICAL" description="Bracket"/>
    <BomItem OEMDesignNumberRef="DRAWING" quantity="1" category="DOCUMENT" description="Drawing"/>
  </Bom>
  <Ecad name="design">
    <CadHeader units="MILLIMETER"/>
    <CadData>
      <Layer name="TOP" layerFunction="CONDUCTOR" side="TOP" polarity="POSITIVE"/>
      <Layer name="BOTTOM" layerFunction="CONDUCTOR" side="BOTTOM" polarity="POSITIVE"/>
      <Step name="panel"><StepRepeat stepRef="board" x="0" y="0" nx="2" ny="1" dx="50" dy="0"/></Step>
      <Step name="board">
        <Component refDes="R2" packageRef="R0603" layerRef="BOTTOM" part="603-B" mountType="SMT">
          <Xform rotation="-90.0" mirror="true"/>
          <Location x="1.25E1" y="-3.000000000000000444"/>
        </Component>
        <!-- no part of ours -->
        <Component refDes="FID1" packageRef="FID" layerRef="TOP" part="FID" mountType="OTHER">
          <Location x="0" y="0"/>
        </Component>
        <Component refDes="R3" packageRef="R0603" layerRef="TOP" part="603-B" mountType="SMT">
          <Xform rotation="0"/>
          <Location x="5" y="6"/>
        </Component>
        <Component refDes="C1" packageRef="C1206" layerRef="TOP" part="667-A" mountType="SMT">
          <Xform rotation="180" xOffset="0.0" yOffset="0"/>
          <Location x="7" y="8"/>
        </Component>
      </Step>
    </CadData>
  </Ecad>
</IPC-2581>
"""


def changed(*pairs: tuple[str, str]) -> bytes:
    text = BOARD
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text.encode()


def faults(content: bytes) -> set[tuple[int, str]]:
    """Line and sentence of what is wrong with the file for both readings."""
    return {(p.line, p.what) for table in (read_bom(content), read_placements(content)) for p in table.problems}


@pytest.fixture
def who(db) -> dict:
    return {"by": make_person("P"), "at": now()}


@pytest.fixture
def board(who) -> Part:
    return define_part(number="BOARD", name="b", kind="assembly", level=1, **who)


def test_a_board_goes_in_with_its_placements(board, who):
    content = BOARD.encode()
    report = import_bom(assembly=board, content=read_bom(content), **who)
    assert [
        (line.child.number, line.child.name, line.quantity, [d.name for d in line.designators.all()])
        for line in BomLine.objects.all()
    ] == [
        ("603-B", "10K", 2, ["R1", "R2"]),
        ("667-A", "667-A", 1, ["C1"]),
        ("534-C", "Bracket", 1, ["MP1"]),
    ]
    assert report.remarks == [
        "Line 15: JP is left out, since none of its places is populated.",
        "Line 18 names no designator: the place of 534-C is called MP1.",
    ]
    table = read_placements(content)
    dry = import_placements(assembly=board, content=table, dry_run=True, **who)
    placements = import_placements(assembly=board, content=table, **who)
    assert (placements.not_in_bom, placements.not_placed) == (["FID1"], ["R1", "MP1"])
    assert placements.do_not_place == ["R3"]
    assert placements.remarks == dry.remarks == []
    assert [(p.designator, p.x, p.y, p.rotation, p.side, p.value) for p in Placement.objects.all()] == [
        ("R2", Decimal("12.5"), -3, 270, "bottom", "603-B"),
        ("FID1", 0, 0, 0, "top", "FID"),
        ("R3", 5, 6, 0, "top", "603-B"),
        ("C1", 7, 8, 180, "top", "667-A"),
    ]
    assert list_insertion_order(board) == ["R2", "C1"]


@pytest.mark.parametrize(("quantity", "says"), [("2", []), ("3", []), ("3.0", []), ("30e-1", []), ("4", [4])])
def test_a_quantity_may_count_the_places_that_stay_empty(board, who, quantity, says):
    content = read_bom(changed(('quantity="2"', f'quantity="{quantity}"')))
    try:
        import_bom(assembly=board, content=content, **who)
    except BomFileRefused as refused:
        assert [problem.what for problem in refused.problems] == [
            f"The quantity is {number}, but the designators hold 2: R1, R2." for number in says
        ]
    else:
        assert says == []
        assert BomLine.objects.get(child__number="603-B").quantity == 2


@pytest.mark.parametrize(("unit", "mm"), [("MILLIMETER", "12.5"), ("MICRON", "0.0125"), ("INCH", "317.5")])
def test_units(unit, mm):
    rows = read_placement_file(read_placements(changed(("MILLIMETER", unit)))).rows
    assert rows[0].x == Decimal(mm)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings(encoding):
    content = BOARD.replace("10K", "10 kΩ").replace('"UTF-8"', f'"{encoding[:6]}"').encode(encoding)
    assert is_xml(content)
    assert read_bom_file(read_bom(content)).rows[0].name == "10 kΩ"
    assert read_placements(content).problems == []


def test_what_is_wrong_is_named_by_line_and_attribute():
    content = changed(
        ('quantity="2"', 'quantity="two"'),
        ('x="1.25E1"', 'x="left"'),
        ('x="5" y="6"', 'x="5"'),
        ('side="BOTTOM"', 'side="INTERNAL"'),
    )
    assert [str(p).split(".")[0] for p in read_bom_file(read_bom(content)).problems] == [
        "Line 6, column BomItem quantity: “two” is not a quantity"
    ]
    assert [str(p).split(".")[0] for p in read_placement_file(read_placements(content)).problems] == [
        "Line 28, column Location x: “leftmm” is not a length",
        "Line 28, column Component layerRef: “INTERNAL” is not a side",
        "Line 36, column Location y: The line gives no y",
    ]


def test_what_can_not_be_read_as_a_board():
    assert faults(b"<IPC-2581/>") == {
        (1, "The file has no bill of material."),
        (1, "Its CadHeader does not name one unit of MILLIMETER, MICRON, INCH."),
    }
    assert faults(b"<svg/>") == {(1, "It is not IPC-2581, but svg.")}
    assert faults(b"<IPC-2581>\n<Bom>\n</IPC-2581>").pop()[1].startswith("It can't be read as XML: ")
    assert faults(b"<" + b" " * MAX_BYTES) == {(1, "The file has more than 32,000,000 bytes.")}
    two = changed(('<Step name="panel"><StepRepeat', '<Step name="panel"><Component/><StepRepeat'))
    assert {what for _, what in faults(two)} == {"2 Step elements have a Component: panel, board."}
    assert {what for _, what in faults(changed(('xOffset="0.0"', 'xOffset="0.5"')))} == {
        "Its Xform has an offset, which is not read."
    }
    assert {what for _, what in faults(changed(("MILLIMETER", "CUBIT")))} == {
        "Its CadHeader does not name one unit of MILLIMETER, MICRON, INCH."
    }


# Attacks -------------------------------------------------------------------------------------------------------------


def attack(declarations: str, encoding: str = "utf-8", said: str = "UTF-8") -> bytes:
    text = BOARD.replace('"UTF-8"', f'"{said}"').replace("?>\n", f"?>\n<!DOCTYPE IPC-2581 [{declarations}]>\n", 1)
    return text.replace('description="10K"', 'description="&e;"').encode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_and_other_files_are_never_read(tmp_path, encoding):
    secret = tmp_path / "secret"
    secret.write_text("SECRET")
    for declarations in (
        f'<!ENTITY e SYSTEM "{secret.as_uri()}">',
        '<!ENTITY e SYSTEM "http://127.0.0.1:9/">',
        f'<!ENTITY % e SYSTEM "{secret.as_uri()}"> %e;',
        '<!ENTITY a "aaaaaaaaaa">' + "".join(f'<!ENTITY a{n} "{"&a;" * 10}">' for n in range(9)) + '<!ENTITY e "&a8;">',
        '<!ENTITY e "10K">',
    ):
        assert faults(attack(declarations, encoding, encoding)) == {(1, "The file has a document type declaration.")}


def test_no_encoding_hides_a_declaration():
    """Read as the UTF-7 that it says it is, the file would declare an entity; it is read as UTF-8."""
    content = attack('<!ENTITY e "10K">', said="UTF-7").replace(b"<!DOCTYPE", b"+ADw-+ACE-DOCTYPE")
    assert "<!DOCTYPE" in content.decode("utf-7")
    assert {what.partition(":")[0] for _, what in faults(content)} == {"It can't be read as XML"}


def test_an_entity_that_nobody_declared_is_an_error():
    assert {what.partition(":")[0] for _, what in faults(changed(("10K", "&e;")))} == {"It can't be read as XML"}


def test_depth_is_bounded():
    deep = b"<IPC-2581>" + b"<a>" * 100_000 + b"</a>" * 100_000 + b"</IPC-2581>"
    assert {what.partition(":")[0] for _, what in faults(deep)} == {"It can't be read as XML"}


# Anything ------------------------------------------------------------------------------------------------------------

WORDS = st.one_of(
    st.sampled_from(["R1", "1", "-1e3", "1e-300", "NaN", "INF", "TOP", "true", "false", "", "INCH", "x" * 70, "=1"]),
    st.text(st.characters(codec="utf-8", exclude_categories=["C"], exclude_characters='<&"'), max_size=8),
)


@st.composite
def boards(draw) -> bytes:
    """The board with some of its attributes' values replaced, and perhaps cut or spoiled somewhere."""
    parts = BOARD.split('"')
    for at in draw(st.lists(st.integers(4, (len(parts) - 1) // 2 - 1), max_size=6)):
        parts[2 * at + 1] = draw(WORDS)
    content = '"'.join(parts).encode()
    start, length = draw(st.integers(0, len(content))), draw(st.sampled_from([0, 0, 0, 1, 40]))
    return content[:start] + draw(st.binary(max_size=length)) + content[start + length :]


@given(st.one_of(boards(), st.binary(), st.binary().map(lambda tail: b"<IPC-2581>" + tail)))
@settings(max_examples=200)
def test_nothing_makes_it_stumble(content):
    """Rows, or a sentence by line for each thing that is wrong."""
    for table, read in ((read_bom(content), read_bom_file), (read_placements(content), read_placement_file)):
        assert isinstance(table, FileTable)
        file = read(table)
        assert file.rows or file.problems
        for problem in file.problems:
            assert problem.line > 0
            str(problem).encode()


@pytest.mark.once
@given(boards())
@settings(max_examples=100)
@pytest.mark.django_db
def test_whatever_comes_is_imported_whole_or_refused(content):
    with transaction.atomic():
        who = {"by": make_person("P"), "at": now()}
        board = define_part(number="BOARD", name="b", kind="assembly", level=1, **who)
        counts = [0, 0]
        for number, (operation, read) in enumerate(((import_bom, read_bom), (import_placements, read_placements))):
            table = read(content)
            with contextlib.suppress(BomFileRefused, PlacementFileRefused, PlacementsRefused):
                operation(assembly=board, content=table, **who)
                counts[number] = len(table.lines)
        # Of the sample no name stands twice; where one is changed into another's, the second is not kept.
        assert BomLine.objects.count() == counts[0]
        assert counts[1] - 3 <= Placement.objects.count() <= counts[1]
        assert bool(Placement.objects.exists()) == bool(counts[1])
        transaction.set_rollback(True)


# Command -------------------------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_commands_take_it(tmp_path, capsys):
    file = tmp_path / "board.xml"
    file.write_text(BOARD)
    call_command("import_bom", str(file), "--part", "BOARD", "--name", "Board")
    call_command("import_placements", str(file), "--part", "BOARD")
    assert capsys.readouterr().out.count("Imported.") == 2
    assert Placement.objects.count() == 4
    with pytest.raises(CommandError, match="leave out --map and --delimiter"):
        call_command("import_placements", str(file), "--part", "BOARD", "--delimiter", ",")
