from pathlib import Path

import pytest

from trace.core.sql import load_sql


@pytest.fixture
def anchor(tmp_path: Path) -> str:
    (tmp_path / "sql").mkdir()
    (tmp_path / "sql" / "both.sql").write_text("SELECT 1 -- ä")
    (tmp_path / "sql" / "pair.sqlite.sql").write_text("SELECT 2")
    (tmp_path / "sql" / "pair.postgresql.sql").write_text("SELECT 3")
    return str(tmp_path / "queries.py")


@pytest.mark.parametrize(
    ("name", "vendor", "text"),
    [
        ("both", "sqlite", "SELECT 1 -- ä"),
        ("both", "postgresql", "SELECT 1 -- ä"),
        ("pair", "sqlite", "SELECT 2"),
        ("pair", "postgresql", "SELECT 3"),
    ],
)
def test_the_file_of_the_database_comes_before_the_common_one(anchor, name, vendor, text):
    assert load_sql(anchor, name, vendor) == text


def test_a_query_that_is_nowhere_is_named(anchor):
    with pytest.raises(FileNotFoundError, match=r"lost\.sqlite\.sql or .*lost\.sql"):
        load_sql(anchor, "lost", "sqlite")
