"""Raw SQL lives in files of its own, in a folder `sql` beside the module that runs it."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def load_sql(anchor: str, name: str, vendor: str) -> str:
    """The text of a named query, read once.

    `anchor` is the calling module's `__file__`; the file is `sql/name.sql` beside it, or, where the
    databases differ, one of the pair `sql/name.postgresql.sql` and `sql/name.sqlite.sql`, chosen by
    `vendor` (a connection's `vendor`). FileNotFoundError, naming both, where there is neither.
    """
    folder = Path(anchor).parent / "sql"
    files = [folder / f"{name}.{vendor}.sql", folder / f"{name}.sql"]
    for file in files:
        if file.exists():
            return file.read_text(encoding="utf-8")
    raise FileNotFoundError(f"no query {' or '.join(map(str, files))}")
