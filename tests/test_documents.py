"""The generated tables of DEVELOPERS.md are those of the code."""

from trace.management.commands.document import DOCUMENT, TABLES, render


def test_tables_are_up_to_date():
    text = DOCUMENT.read_text(encoding="utf-8")
    assert render(text) == text, "run: python3 manage.py document"


def test_every_table_stands_in_the_document():
    text = DOCUMENT.read_text(encoding="utf-8")
    assert [name for name in TABLES if f"<!-- table: {name} -->" not in text] == []
