"""Raw SQL lives in files of its own, in a folder `sql` beside the module that runs it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from django.db import connection


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


SQLITE = {"jsonb_agg": "json_group_array", "jsonb_build_array": "json_array"}
"""PostgreSQL's functions by SQLite's names."""


def fetch(anchor: str, name: str, **parameters: Any) -> list[tuple]:
    """The rows of a named query. Its text is PostgreSQL's on either database: one of a list is
    `= ANY(%(list)s)`, many rows in one are `jsonb_agg(jsonb_build_array(…))`, in JSON or None."""
    text = load_sql(anchor, name, connection.vendor)
    if connection.vendor == "sqlite":
        for theirs, ours in SQLITE.items():
            text = text.replace(theirs, ours)
        for parameter in [one for one, value in parameters.items() if isinstance(value, list)]:
            text = text.replace(f"= ANY(%({parameter})s)", f"IN (SELECT value FROM json_each(%({parameter})s))")
            parameters[parameter] = json.dumps(parameters[parameter])
    with connection.cursor() as cursor:
        cursor.execute(text, parameters)
        return cursor.fetchall()
