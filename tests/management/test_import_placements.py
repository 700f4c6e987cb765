import pytest
from django.core.management import CommandError, call_command

from trace.core.models import Person
from trace.engineering.models import BomLine, Designator, Part, Placement
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

FILE = "Where,PosX_mm,PosY_mm,Rot,Side,DNP,Size\nR1,1,2,90,top,,0603\nFID1,3,4,0,top,,\nR2,5,6,0,top,x,0603\n"
MAP = ["--map", "designator=Where"]


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "places.csv"
    path.write_text(FILE)
    return path


@pytest.fixture(autouse=True)
def board(db) -> Part:
    board = Part.objects.create(key="BOARD", number="BOARD", kind="assembly", level=1)
    child = Part.objects.create(key="R", number="R")
    line = BomLine.objects.create(parent=board, child=child, parent_level=1, child_level=0, number=1, quantity=3)
    Designator.objects.bulk_create(Designator(parent=board, line=line, name=f"R{n}") for n in (1, 2, 3))
    return board


def run(*arguments) -> None:
    call_command("import_placements", *map(str, arguments))


def test_placements_are_imported_and_compared(file, board, capsys):
    run(file, "--part", "BOARD", *MAP)
    assert [placement.designator for placement in board.placements.all()] == ["R1", "FID1", "R2"]
    assert capsys.readouterr().out.splitlines() == [
        "Columns: designator from “Where”, x from “PosX_mm”, y from “PosY_mm”, rotation from “Rot”, side from “Side”, "
        "do_not_place from “DNP”. Not read: Size.",
        "BOARD: 3 placements.",
        "Placed, but not in the bill of material: FID1.",
        "In the bill of material, but not placed: R2, R3.",
        "Marked do-not-place: R2.",
        "Imported.",
    ]


def test_a_dry_run_leaves_nothing_behind(file, capsys):
    run(file, "--part", "BOARD", "--dry-run", *MAP)
    assert capsys.readouterr().out.splitlines()[-1] == "Dry run: nothing was changed."
    assert not (Placement.objects.exists() or Event.objects.exists() or Person.objects.exists())


def test_problems_come_line_by_line_and_nothing_stays(file):
    file.write_text(FILE + "R3,a,b,0,top,,\n")
    with pytest.raises(CommandError) as refused:
        run(file, "--part", "BOARD", *MAP)
    _, *lines = str(refused.value).splitlines()
    assert [line.split(":")[0] for line in lines] == ["Line 5, column PosX_mm", "Line 5, column PosY_mm"]
    assert not (Placement.objects.exists() or Event.objects.exists())


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--part", "NONE"], "no part NONE"),
        (["--part", "R"], "has no bill of material"),
        (["--part", "BOARD"], "wrong with the file"),
        (["--part", "BOARD", "--map", "designator"], "write FIELD=COLUMN. The fields: designator, x, y,"),
    ],
)
def test_refusals(file, arguments, says):
    with pytest.raises(CommandError, match=says):
        run(file, *arguments)
    assert not Placement.objects.exists()
