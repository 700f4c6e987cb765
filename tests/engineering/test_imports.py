"""Importing a bill of material: whole boards, what is there already, and nothing by halves."""

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
from trace.engineering.models import BomLine, Designator, Part
from trace.engineering.operations import (
    BomFileRefused,
    BomRefused,
    BomRow,
    Released,
    define_part,
    define_site,
    import_bom,
    release_revision,
    set_bom,
)
from trace.engineering.queries import list_fitting_parts, list_places_of, trace_explosion
from trace.ledger.models import Event

from .test_bom_file import BOARD, FILES

pytestmark = pytest.mark.django_db


@pytest.fixture
def board(part) -> Part:
    return part("BOARD", 1)


def places(assembly: Part) -> dict[str, str]:
    """Designator to part number, found the way a trace finds it."""
    numbers = dict(Part.objects.values_list("pk", "number"))
    return {name: numbers[part] for _, name, part in list_places_of(numbers) if list_fitting_parts(assembly, name)}


def refusal(assembly: Part, text: str, who: dict, **more) -> list[tuple]:
    """What is wrong by line and column; the dry run says the same, and nothing is written."""
    before = (Part.objects.count(), Event.objects.count())
    with pytest.raises(BomFileRefused) as dry:
        import_bom(assembly=assembly, content=text, dry_run=True, **more, **who)
    with pytest.raises(BomFileRefused) as refused:
        import_bom(assembly=assembly, content=text, **more, **who)
    assert refused.value.problems == dry.value.problems
    assert (Part.objects.count(), Event.objects.count(), BomLine.objects.count()) == (*before, 0)
    return [(problem.line, problem.column, problem.what) for problem in refused.value.problems]


def test_a_board_goes_in_with_its_parts(board, who):
    report = import_bom(assembly=board, content=BOARD.encode(), **who)
    assert [part.number for part in report.new_parts] == ["667-A", "603-B", "OWN-JP-JOYSTICK-EN", "534-C"]
    assert (report.designators, report.dry_run) == (9, False)
    assert [(line.number, line.child.number, line.child.name, line.quantity) for line in BomLine.objects.all()] == [
        (1, "667-A", "10uF 16V", 3),
        (2, "603-B", "10K", 4),
        (3, "OWN-JP-JOYSTICK-EN", "JOYSTICK EN", 1),
        (4, "534-C", "Bracket", 1),
    ]
    assert places(board) == {
        **dict.fromkeys(("C1", "C2", "C30"), "667-A"),
        **dict.fromkeys(("R1", "R2", "R3", "R4"), "603-B"),
        "JP1": "OWN-JP-JOYSTICK-EN",
        "MP1": "534-C",
    }
    (event,) = Event.objects.exclude(verb="define_part")
    assert event.subjects.filter(kind="part", key="534-C").exists()


def test_a_dry_run_reports_the_same_and_changes_nothing(board, who):
    report = import_bom(assembly=board, content=BOARD, dry_run=True, **who)
    assert (len(report.rows), report.designators, len(report.new_parts), report.dry_run) == (4, 9, 4, True)
    assert (Part.objects.count(), BomLine.objects.count(), Event.objects.count()) == (1, 0, 1)
    assert report.remarks == import_bom(assembly=board, content=BOARD, **who).remarks


def test_the_second_board_uses_the_parts_of_the_first(part, board, who):
    import_bom(assembly=board, content=BOARD, **who)
    report = import_bom(assembly=part("OTHER", 1), content=BOARD, **who)
    assert report.new_parts == []
    assert Part.objects.count() == 6


def test_two_lines_with_one_part_stay_two(board, who):
    import_bom(assembly=board, content="Ref,MPN\nR1 R2,A\nR3,A\n", **who)
    assert [(line.child.number, line.quantity) for line in BomLine.objects.all()] == [("A", 2), ("A", 1)]
    assert [int(total) for total in trace_explosion(board).values()] == [3]


def test_parts_that_only_a_key_would_confuse_are_two(board, who):
    import_bom(assembly=board, content="Ref,MPN\nR1,A/1\nR2,A-1\nR3,a-1\n", **who)
    keys = [line.child.key for line in BomLine.objects.order_by("number")]
    assert len(set(keys)) == 3
    assert keys[0] == "A-1"


def test_a_revision_is_taken_from_its_column(part, board, who):
    part("A", revision="1")
    second = part("A", revision="2")
    only = part("B", revision="7")
    assert refusal(board, "Ref,MPN\nR1,A\n", who) == [(2, "MPN", "A has revisions 1, 2.")]
    assert refusal(board, "Ref,MPN,SKU\nR1,-,A\n", who) == [(2, "SKU", "A has revisions 1, 2.")]
    import_bom(assembly=board, content="Ref,MPN,Rev\nR1,A,2\nR2,A,3\nR3,B,\n", **who)
    children = [line.child for line in BomLine.objects.order_by("number")]
    assert (children[0], children[1].revision, children[2]) == (second, "3", only)


def test_without_a_revision_the_part_without_one_is_meant(part, board, who):
    plain, _ = part("A"), part("A", revision="2")
    import_bom(assembly=board, content="Ref,MPN\nR1,A\n", **who)
    assert BomLine.objects.get().child == plain


def test_what_nobody_reads_may_be_anything(board, who):
    import_bom(assembly=board, content="Ref,MPN,Price\nR1,A,\ud800\0=\n", **who)
    assert places(board) == {"R1": "A"}


def test_a_retired_part_is_passed_over_or_named(part, board, who, at):
    for number, revision in (("A", "1"), ("B", "1")):
        old = part(number, revision=revision)
        old.retired = at
        old.save()
    new = part("A", revision="2")
    assert refusal(board, "Ref,MPN\nR1,A\nR2,B\n", who) == [(3, "MPN", "B is retired.")]
    import_bom(assembly=board, content="Ref,MPN\nR1,A\n", **who)
    assert BomLine.objects.get().child == new


def test_every_line_is_judged_against_the_others_and_the_plant(part, board, who):
    part("SUB", 1, serialised=True)
    part("GLUE", unit_of_measure="g")
    text = (
        "Refs,Qty,MPN\n"
        '"R1,R2,R3",2,A\n'
        "r2,1,B\n"
        "C1,half,C\n"
        "C1,1,D\n"
        "M1,1,SUB\n"
        "X1 X1,2,E\n"
        ",0.5,F\n"
        ",0.5,GLUE\n"
        "D1,0,G\n"
        f"{'Z' * 21},1,H\n"
    )
    assert refusal(board, text, who) == [
        (2, "Qty", "The quantity is 2, but the designators hold 3: R1, R2, R3."),
        (3, "Refs", "Designator r2 stands in line 2 too."),
        (4, "Qty", "“half” is not a quantity."),
        (5, "Refs", "Designator C1 stands in line 4 too."),
        (6, "MPN", "SUB stands at level 1, which is not below the assembly's, 1."),
        (7, "Refs", "X1 stands twice in line 7."),
        (8, "Qty", "0.5 of a part that is counted in pieces is not possible."),
        (10, "Qty", "0 is not a quantity above 0 and below 100,000,000."),
        (11, "Refs", f"“{'Z' * 21}” is not a designator."),
    ]


def test_a_refusal_can_be_read_aloud(board, who):
    with pytest.raises(BomFileRefused) as refused:
        import_bom(assembly=board, content="Ref,Qty,MPN\nR1,2,A\n", **who)
    assert str(refused.value) == (
        "One thing is wrong with the file. Mend the file and import it again: nothing was changed."
    )
    assert str(refused.value.problems[0]) == (
        "Line 2, column Qty: The quantity is 2, but the designators hold 1: R1. "
        "Correct the quantity, or name the designators that are missing or too many."
    )


def test_an_assembly_that_is_inside_itself_is_refused(board, who):
    assert refusal(board, "Ref,MPN\nU1,BOARD\n", who)[0][:2] == (2, "MPN")


def test_a_released_bom_is_never_written_over(part, board, who):
    set_bom(assembly=board, rows=[BomRow(part("CHIP"), 1, ("U1",))], **who)
    release_revision(part=approved(board), **who)
    for dry_run in (True, False):
        with pytest.raises(Released, match="units may have been built by it"):
            import_bom(assembly=board, content=BOARD, dry_run=dry_run, **who)
    with pytest.raises(BomRefused, match="nothing is in it"):
        import_bom(assembly=Part.objects.get(number="CHIP"), content=BOARD, **who)
    assert BomLine.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_boards_imported_at_once_share_their_new_parts():
    who = {"by": make_person("P"), "at": now()}
    define_site(key="S", name="s", **who)
    boards = [define_part(number=f"B{n}", name="b", kind="assembly", level=1, **who) for n in range(4)]
    text = "Ref,MPN\n" + "".join(f"R{n},N-{n}\n" for n in range(40))

    def enter(board: Part) -> int:
        try:
            return len(import_bom(assembly=board, content=text, **who).rows)
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as pool:
        lines = list(pool.map(enter, boards + boards))
    # Each board was sent twice, and the second took the place of the first.
    assert lines == [40] * 8
    assert BomLine.objects.count() == 4 * 40
    assert (Part.objects.count(), BomLine.objects.count()) == (44, 160)


# Real boards, kept beside the repository -----------------------------------------------------------------------------


def test_the_through_hole_board_imports_as_it_is(hardware, board, who):
    """schlae/snark-barker, CC BY-SA 4.0: 72 lines, 193 parts. Its last line, a bracket, has no designator."""
    content = hardware("snark-barker/SnarkBarker.csv")
    report = import_bom(assembly=board, content=content, **who)
    assert (len(report.rows), report.designators, BomLine.objects.count()) == (72, 193, 72)
    assert report.ignored == ["Item"]

    found = places(board)
    rows = list(csv.DictReader(io.StringIO(content.decode())))
    assert len(found) == 193
    for row in rows:
        for name in row["Reference(s)"].split(", "):
            number = found.pop("MP1" if name == "-" else name)
            assert number == row["Mouser"] or (row["Mouser"] == "-" and number.startswith("OWN-"))
    assert found == {}
    # Each part without an order number has one of the plant's own, no two alike.
    assert sum(row["Mouser"] == "-" for row in rows) == sum(p.number.startswith("OWN-") for p in report.new_parts)
    assert sum(trace_explosion(board).values()) == 193


def test_a_changed_quantity_on_the_real_board_is_refused_by_line(hardware, board, who):
    text = hardware("snark-barker/SnarkBarker.csv").decode()
    changed = text.replace("\n26,9,", "\n26,8,")
    assert changed != text
    ((line, column, what),) = refusal(board, changed, who)
    assert (line, column) == (27, "Qty")
    assert what.startswith("The quantity is 8, but the designators hold 9: R3, R4, R8,")


def test_the_surface_mount_board_imports_as_it_is(hardware, board, who):
    """fossasia/pslab-hardware, Apache-2.0: 60 lines, 175 parts, designators parted by spaces."""
    content = hardware("pslab/BillOfMaterials.csv")
    report = import_bom(assembly=board, content=content, **who)
    assert (len(report.rows), report.designators, len(places(board))) == (60, 175, 175)
    rows = list(csv.DictReader(io.StringIO(content.decode())))
    assert Designator.objects.count() == sum(int(row["Quantity"]) for row in rows)
    # One diode in two packages: two parts, though neither has a number.
    found = places(board)
    assert (found["D8"], found["D9"]) == ("OWN-D-1N4148W-D_MiniMELF", "OWN-D-1N4148W-D_SOD-123")
    # The file gives a 12k resistor the number of the 10k: imported as it stands, and said.
    assert found["R22"] == found["R1"]
    assert any("RR0816P-103-D is named in several ways" in remark for remark in report.remarks)


# Anything ------------------------------------------------------------------------------------------------------------


@pytest.mark.once
@given(
    st.one_of(
        FILES,
        st.lists(
            st.tuples(
                st.sampled_from(["R1", "R1,R2", "R1-R3", "r2", "", "C1 C2", "Ω1", "x" * 20]),
                st.sampled_from(["1", "2", "3", "0.5", "", "1e9", "99999999", "100000000", "0.0000001"]),
                st.sampled_from(["A", "a", "A/", "", "GLUE", "SUB", "抵抗", "A\u0301", "=A"]),
                st.sampled_from(["10K", "10k", "", "1%"]),
            ),
            min_size=1,
            max_size=6,
        ).map(lambda rows: "Ref;Qty;MPN;Value\n" + "\n".join(";".join(row) for row in rows)),
    )
)
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_comes_is_imported_whole_or_refused_by_line(content):
    with transaction.atomic():
        who = {"by": make_person("P"), "at": now()}
        assembly = define_part(number="BOARD", name="b", kind="assembly", level=1, **who)
        define_part(number="SUB", name="s", kind="assembly", level=1, serialised=True, **who)
        define_part(number="GLUE", name="g", unit_of_measure="g", **who)
        try:
            report = import_bom(assembly=assembly, content=content, **who)
        except Refusal as refused:
            assert isinstance(refused, BomFileRefused)
            assert refused.problems
            assert (Part.objects.count(), BomLine.objects.count()) == (3, 0)
        else:
            lines = list(BomLine.objects.filter(parent=assembly).order_by("number").prefetch_related("designators"))
            assert [(line.child_id, line.quantity) for line in lines] == [(r.part.pk, r.quantity) for r in report.rows]
            assert all(sum((d.quantity for d in line.designators.all()), Decimal(0)) == line.quantity for line in lines)
        transaction.set_rollback(True)
