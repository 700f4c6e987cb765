"""Importing placements: the order of insertion, the bill of material beside it, and nothing by halves."""

import csv
import io
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.approvals.signing import approved
from tests.factories import make_person
from trace.core.clock import now
from trace.core.errors import Refusal
from trace.engineering.models import Part, Placement
from trace.engineering.operations import (
    BomRow,
    PlacementFileRefused,
    PlacementsRefused,
    Released,
    define_part,
    define_site,
    import_bom,
    import_placements,
    release_revision,
    set_bom,
)
from trace.engineering.placement_file import COLUMNS
from trace.engineering.queries import list_insertion_order
from trace.ledger.models import Event

from .files import files

pytestmark = pytest.mark.django_db

FILE = """\
Ref,Val,PosX_mm,PosY_mm,Rot,Side,DNP
R2,10K,1.5,2.5,-90,top,
FID1,Fiducial,0,0,0,top,
c1,10uF,3,4,0,bottom,
R3,10K,5,6,0,top,yes
R1,10K,1,2,90,top,
JP9,JOYSTICK,9,9,0,top,dnp
"""


@pytest.fixture
def board(part, who) -> Part:
    """R1 to R3, C1, and a bracket at MP1 that no machine places."""
    board = part("BOARD", 1)
    rows = [BomRow(part("R"), 3, ("R1", "R2", "R3")), BomRow(part("C"), 1, ("C1",)), BomRow(part("MP"), 1, ("MP1",))]
    set_bom(assembly=board, rows=rows, **who)
    return board


def refusal(assembly: Part, text: str, who: dict, **more) -> list[tuple]:
    """What is wrong by line and column; the dry run says the same, and nothing is written."""
    events = Event.objects.count()
    with pytest.raises(PlacementFileRefused) as dry:
        import_placements(assembly=assembly, content=text, dry_run=True, **more, **who)
    with pytest.raises(PlacementFileRefused) as refused:
        import_placements(assembly=assembly, content=text, **more, **who)
    assert refused.value.problems == dry.value.problems
    assert (Placement.objects.count(), Event.objects.count()) == (0, events)
    return [(problem.line, problem.column, problem.what) for problem in refused.value.problems]


def test_placements_go_in_in_the_order_of_the_file(board, who):
    report = import_placements(assembly=board, content=FILE.encode(), **who)
    assert [
        (p.number, p.designator, p.x, p.y, p.rotation, p.side, p.value, p.do_not_place) for p in Placement.objects.all()
    ] == [
        (1, "R2", Decimal("1.5"), Decimal("2.5"), 270, "top", "10K", False),
        (2, "FID1", 0, 0, 0, "top", "Fiducial", False),
        (3, "C1", 3, 4, 0, "bottom", "10uF", False),
        (4, "R3", 5, 6, 0, "top", "10K", True),
        (5, "R1", 1, 2, 90, "top", "10K", False),
        (6, "JP9", 9, 9, 0, "top", "JOYSTICK", True),
    ]
    assert (report.not_in_bom, report.not_placed, report.do_not_place) == (["FID1"], ["R3", "MP1"], ["R3", "JP9"])
    assert (report.ignored, report.remarks, report.dry_run) == ([], [], False)
    event = Event.objects.get(verb="enter_placements")
    assert event.subjects.filter(kind="part", key="BOARD").exists()


def test_what_is_inserted_is_of_the_bom_and_not_marked(board, part, who):
    assert list_insertion_order(board) == []
    import_placements(assembly=board, content=FILE, **who)
    assert list_insertion_order(board) == ["R2", "C1", "R1"]
    assert list_insertion_order(part("OTHER", 1)) == []


def test_a_dry_run_reports_the_same_and_changes_nothing(board, who):
    events = Event.objects.count()
    dry = import_placements(assembly=board, content=FILE, dry_run=True, **who)
    assert (len(dry.placements), dry.dry_run) == (6, True)
    assert (Placement.objects.count(), Event.objects.count()) == (0, events)
    done = import_placements(assembly=board, content=FILE, **who)
    for field in ("not_in_bom", "not_placed", "do_not_place", "columns", "remarks"):
        assert getattr(dry, field) == getattr(done, field)


def test_a_part_is_placed_once(board, who):
    text = "Ref,X,Y,Rot,Side\nR1,1,1,0,top\nR2,1,1,0,up\nr1,2,2,0,top\nR2,1,1,0,top\nFID1,1,1,0,top\n"
    assert refusal(board, text, who) == [
        (3, "Side", "“up” is not a side."),
        (4, "Ref", "Designator R1 stands in line 2 too."),
        (5, "Ref", "Designator R2 stands in line 3 too."),
    ]


def test_a_name_that_no_part_has_may_stand_again(board, who):
    text = "Ref,X(mm),Y(mm),Rot,Side\nLOGO 1,1,1,0,top\nLOGO 1,2,2,0,top\nR1,1,1,0,top\nLOGO 1,3,3,0,top\n"
    report = import_placements(assembly=board, content=text, **who)
    assert report.remarks == ["LOGO 1 is not in the bill of material and stands in 3 lines: only line 2 is kept."]
    assert [(p.number, p.designator, p.x) for p in Placement.objects.all()] == [(1, "LOGO 1", 1), (2, "R1", 1)]


def test_released_placements_are_never_written_over(board, who):
    release_revision(part=approved(board), **who)
    import_placements(assembly=board, content=FILE, **who)
    for dry_run in (True, False):
        with pytest.raises(Released, match="units may have been built by it"):
            import_placements(assembly=board, content=FILE, dry_run=dry_run, **who)
    assert Placement.objects.count() == 6


def test_without_a_bill_of_material_there_is_nothing_to_check_against(part, who):
    with pytest.raises(PlacementsRefused, match="Import its bill of material first"):
        import_placements(assembly=part("BARE", 1), content=FILE, **who)
    with pytest.raises(PlacementsRefused, match="no bill of material"):
        import_placements(assembly=part("CHIP"), content=FILE, **who)


def test_a_file_of_another_board_is_refused(board, who):
    text = "Ref,X,Y,Rot,Side,DNP\nU1,1,1,0,top,\nR1,1,1,0,top,yes\n"
    with pytest.raises(PlacementsRefused, match="Check that the file is of this assembly"):
        import_placements(assembly=board, content=text, **who)
    assert not Placement.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_one_file_sent_several_times_at_once_is_there_once():
    who = {"by": make_person("P"), "at": now()}
    define_site(key="S", name="s", **who)
    board = define_part(number="BOARD", name="b", kind="assembly", level=1, **who)
    set_bom(assembly=board, rows=[BomRow(define_part(number="R", name="r", **who), 1, ("R1",))], **who)

    def enter(_: int) -> int:
        try:
            return len(import_placements(assembly=board, content=FILE, **who).placements)
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(enter, range(4))) == [6, 6, 6, 6]
    assert Placement.objects.count() == 6, "each took the place of the one before"
    assert Placement.objects.count() == 6


# Real boards, kept beside the repository -----------------------------------------------------------------------------


def check(hardware, board: Part, bom: str, placements: str, who: dict):
    """Import both of a board; the placements stand as the file has them."""
    import_bom(assembly=board, content=hardware(bom), **who)
    report = import_placements(assembly=board, content=hardware(placements), **who)
    rows = list(csv.DictReader(io.StringIO(hardware(placements).decode())))
    told = {(row["Ref"], Decimal(row.get("PosX") or row["PosX_mm"])): row for row in rows}
    for placement in Placement.objects.filter(assembly=board):
        row = told[placement.designator, placement.x]
        assert placement.y == Decimal(row.get("PosY") or row["PosY_mm"])
        assert (placement.rotation - Decimal(row["Rot"])) % 360 == 0
        assert placement.value == " ".join(row["Val"].split())
    assert [p.designator for p in report.placements] == list(dict.fromkeys(row["Ref"] for row in rows))
    return report, rows


def test_the_surface_mount_board_agrees(hardware, part, who):
    """fossasia/pslab-hardware, Apache-2.0: 184 placed, 175 in the bill of material; the nine are known."""
    board = part("PSLAB", 1)
    report, rows = check(hardware, board, "pslab/BillOfMaterials.csv", "pslab/PositionFile.csv", who)
    assert (len(rows), len(report.placements)) == (184, 184)
    assert sorted(report.not_in_bom) == ["FID1", "FID2", "FID3", "MH1", "MH2", "MH3", "MH4", "Z7", "Z9"]
    assert (report.not_placed, report.do_not_place) == ([], [])
    assert report.remarks == ["Nothing names the unit of some x or y: they are taken for mm."]
    assert len(list_insertion_order(board)) == 175
    assert [p.designator for p in report.placements if p.side == "bottom"] == ["Z7"]


def test_the_through_hole_board_agrees(hardware, part, who):
    """schlae/snark-barker, CC BY-SA 4.0: 199 footprints placed, three of whose names stand more than once or are of no
    part; the bill of material has 193 places, of which a bodged resistor and a bracket are on no footprint."""
    board = part("SNARK", 1)
    report, rows = check(
        hardware, board, "snark-barker/SnarkBarker.csv", "snark-barker/placements_from_kicad_pcb.csv", who
    )
    assert (len(rows), len(report.placements)) == (199, 196)
    assert report.not_in_bom == ["G***", "J1", "J2", "REF**", "REF***"]
    assert (report.not_placed, report.do_not_place) == (["R_BODGE1", "MP1"], [])
    assert report.remarks == [
        "G*** is not in the bill of material and stands in 2 lines: only line 94 is kept.",
        "REF** is not in the bill of material and stands in 3 lines: only line 154 is kept.",
    ]
    assert len(list_insertion_order(board)) == 191
    assert list_insertion_order(board)[:3] == [row["Ref"] for row in rows[:3]]


# Anything ------------------------------------------------------------------------------------------------------------


@pytest.mark.once
@given(
    st.one_of(
        files(COLUMNS),
        st.lists(
            st.tuples(
                st.sampled_from(["R1", "r1", "R2", "FID1", "", "Ω1", "x" * 60]),
                st.sampled_from(["1", "-2.5", "99999.9999995", "-99999.999999", "1in", "", "x"]),
                st.sampled_from(["0", "-0", "359.99999", "-90", "1e9", "999999999"]),
                st.sampled_from(["top", "B", "", "F.Cu"]),
                st.sampled_from(["", "yes", "no", "?"]),
            ),
            min_size=1,
            max_size=6,
        ).map(lambda rows: "Ref;X;Y;Rot;Side;DNP\n" + "\n".join(f"{r};{x};{x};{t};{s};{d}" for r, x, t, s, d in rows)),
    )
)
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_comes_is_imported_whole_or_refused_by_line(content):
    with transaction.atomic():
        who = {"by": make_person("P"), "at": now()}
        board = define_part(number="BOARD", name="b", kind="assembly", level=1, **who)
        set_bom(assembly=board, rows=[BomRow(define_part(number="R", name="r", **who), 2, ("R1", "R2"))], **who)
        try:
            report = import_placements(assembly=board, content=content, **who)
        except Refusal as refused:
            assert isinstance(refused, PlacementFileRefused | PlacementsRefused)
            assert str(refused)
            if isinstance(refused, PlacementFileRefused):
                assert refused.problems
            assert not Placement.objects.exists()
        else:
            kept = list(Placement.objects.filter(assembly=board))
            assert [p.designator for p in kept] == [p.designator for p in report.placements]
            assert [p.number for p in kept] == list(range(1, len(kept) + 1))
            placed = {p.designator for p in kept if not p.do_not_place}
            assert placed == {*list_insertion_order(board), *report.not_in_bom}
            assert {"R1", "R2"} == {*list_insertion_order(board), *report.not_placed}
        transaction.set_rollback(True)
