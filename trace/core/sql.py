"""Raw SQL lives in files of its own, in a folder `sql` beside the module that runs it."""

from __future__ import annotations

import json
from collections.abc import Mapping
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

EACH = {
    "postgresql": "jsonb_array_elements_text(%({list})s::jsonb)::bigint",
    "sqlite": "value FROM json_each(%({list})s)",
}
"""The ids of a list as rows. Of a list in JSON PostgreSQL expects few, whatever its length, and so looks each up by
index instead of reading a large table whole."""


def fetch(anchor: str, name: str, fragments: Mapping[str, str] | None = None, **parameters: Any) -> list[tuple]:
    """The rows of a named query, as `prepare` makes it ready."""
    with connection.cursor() as cursor:
        cursor.execute(*prepare(anchor, name, parameters, fragments))
        return cursor.fetchall()


def prepare(
    anchor: str, name: str, parameters: Mapping[str, Any], fragments: Mapping[str, str] | None = None
) -> tuple[str, dict[str, Any]]:
    """The text of a named query for the current database, and its parameters.

    A text common to both databases is PostgreSQL's: one of a list is `= ANY(%(list)s)`, many rows in one are
    `jsonb_agg(jsonb_build_array(…))`, in JSON or None. A list of ids from which a query sets out is `{each list}`.
    `fragments`: what stands for other names in braces.
    """
    vendor, given = connection.vendor, dict(parameters)
    text = load_sql(anchor, name, vendor)
    for fragment, meaning in (fragments or {}).items():
        text = text.replace(f"{{{fragment}}}", meaning)
    if vendor == "sqlite":
        for theirs, ours in SQLITE.items():
            text = text.replace(theirs, ours)
    for one in [one for one, value in parameters.items() if isinstance(value, list)]:
        if vendor == "sqlite" or f"{{each {one}}}" in text:
            given[one] = json.dumps(given[one])
        if vendor == "sqlite":
            text = text.replace(f"= ANY(%({one})s)", f"IN (SELECT value FROM json_each(%({one})s))")
        text = text.replace(f"{{each {one}}}", EACH[vendor].format(list=one))
    return text, given
