import pytest
from django.core.management import CommandError, call_command

from tests.factories import make_person
from trace.core.models import Person
from trace.engineering.models import BomLine, Part
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

BOM = "Where,Qty,MPN\nR1 R2,2,A\nC1,1,B\n"
MAP = ["--map", "designators=Where"]


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "board.csv"
    path.write_text(BOM)
    return path


def run(*arguments) -> None:
    call_command("import_bom", *map(str, arguments))


def test_a_new_assembly_is_defined_with_its_bom(file, capsys):
    run(file, "--part", "BOARD", "--revision", "A", "--name", "Board", "--level", 3, *MAP)
    board = Part.objects.get(number="BOARD", revision="A")
    assert (board.name, board.level, board.serialised, board.lines.count()) == ("Board", 3, True, 2)
    assert capsys.readouterr().out.splitlines() == [
        "Columns: designators from “Where”, quantity from “Qty”, part_number from “MPN”.",
        "BOARD: 2 lines, 3 designators; 2 parts are new.",
        "Imported.",
    ]
    assert {event.by.name for event in Event.objects.all()} == {"Command line"}


def test_a_dry_run_leaves_nothing_behind(file, capsys):
    run(file, "--part", "BOARD", "--name", "Board", "--dry-run", *MAP)
    assert capsys.readouterr().out.splitlines()[-1] == "Dry run: nothing was changed."
    assert not (Part.objects.exists() or Event.objects.exists() or Person.objects.exists())


def test_problems_come_line_by_line_and_nothing_stays(file):
    file.write_text(BOM + "C1,x,C\n")
    with pytest.raises(CommandError) as refused:
        run(file, "--part", "BOARD", "--name", "Board", *MAP)
    first, *lines = str(refused.value).splitlines()
    assert refused.value.returncode == 1
    assert first.startswith("2 things are wrong with the file.")
    assert [line.split(":")[0] for line in lines] == ["Line 4, column Qty", "Line 4, column Where"]
    assert not (Part.objects.exists() or Event.objects.exists())


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--part", "NONE"], "no part NONE. Give its --name"),
        (["--part", "BOARD", "--by", "nobody"], "Nobody has the key nobody"),
        (["--part", "BOARD", "--map", "designators"], "write FIELD=COLUMN"),
        (["--part", "BOARD"], "No column|Give|wrong with the file"),
        (["--part", "BOARD", "--delimiter", "##"], "wrong with the file"),
        (["--part", "TWICE"], "revisions 1, 2"),
        (["--part", "BOARD", "--name", "x", "--level", "0", "--revision", "Z"], "level"),
    ],
)
def test_refusals(file, arguments, says):
    file.write_text("Nothing,Known\n1,2\n")
    for number, revision in (("BOARD", ""), ("TWICE", "1"), ("TWICE", "2")):
        Part.objects.create(key=number + revision, number=number, revision=revision, kind="assembly", level=1)
    with pytest.raises(CommandError, match=says):
        run(file, *arguments)
    assert not BomLine.objects.exists()


def test_a_person_signs_for_it(file):
    ada = make_person("P-001")
    run(file, "--part", "BOARD", "--name", "Board", "--by", "p-001", *MAP)
    assert {event.by for event in Event.objects.all()} == {ada}


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(CommandError, match="can't be read: No such file"):
        run(tmp_path / "none.csv", "--part", "BOARD")
