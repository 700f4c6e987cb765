"""`manage.py lists`: a product brought in from files, and taken out again."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from tests.exchange.test_lists import LISTS
from tests.refusals import contents
from trace.engineering.models import Part

pytestmark = pytest.mark.django_db


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """In no order."""
    for name, content in LISTS.items():
        (tmp_path / f"{name}.csv").write_text(content)
    return sorted(str(path) for path in tmp_path.iterdir())


def test_a_plant_is_brought_in_from_files_and_taken_out_as_it_was(files, tmp_path, capsys) -> None:
    call_command("lists", *files, "--dry-run")
    assert "Nothing was changed: it was a dry run." in capsys.readouterr().out and not Part.objects.exists()
    call_command("lists", *files)
    assert "bom.csv: 1 line, 1 changed." in capsys.readouterr().out
    out = tmp_path / "out"
    call_command("lists", "--out", str(out))
    assert {path.stem for path in out.iterdir()} == set(LISTS)
    before = contents()
    call_command("lists", *map(str, out.iterdir()))
    assert contents() == before


def test_one_bad_file_keeps_out_all(files, tmp_path) -> None:
    (tmp_path / "routes.csv").write_text("part,number,name,stations\nBOARD,10,Insert,NOWHERE\n")
    before = contents()
    with pytest.raises(CommandError, match=r"routes.csv: One thing is wrong[^\n]*\nLine 2: .*NOWHERE, which does not"):
        call_command("lists", *files)
    assert contents() == before
    for arguments, says in (
        ([], "Name files"),
        ([*files, "--out", "x"], "Name files"),
        (["nothing.csv"], "nothing: there is no such list"),
        (["missing/parts.csv"], "can't be read"),
        ([*files, "--by", "NOBODY"], "Nobody has the key NOBODY"),
    ):
        with pytest.raises(CommandError, match=says):
            call_command("lists", *arguments)
