"""Triggers that keep the ledger append-only, on both databases.

Installed after every migrate, because changing a table on SQLite silently drops its triggers;
a system check says when they are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error
from django.db import connection as default_connection

TABLES = ("trace_event", "trace_eventsubject")

_POSTGRESQL_FUNCTION = """
CREATE OR REPLACE FUNCTION trace_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'The ledger is append-only: % refused on %', TG_OP, TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def _names(table: str) -> dict[str, str]:
    return {deed: f"{table}_no_{deed.lower()}" for deed in ("UPDATE", "DELETE", "TRUNCATE")}


def install(connection: Any = default_connection) -> None:
    """Create the triggers, whatever was there before."""
    drop(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_POSTGRESQL_FUNCTION)
        for table in TABLES:
            for deed, name in _names(table).items():
                if connection.vendor == "postgresql":
                    cursor.execute(
                        f"CREATE TRIGGER {name} BEFORE {deed} ON {table} "
                        "FOR EACH STATEMENT EXECUTE FUNCTION trace_append_only()"
                    )
                elif deed != "TRUNCATE":
                    cursor.execute(
                        f"CREATE TRIGGER {name} BEFORE {deed} ON {table} BEGIN "
                        f"SELECT RAISE(ABORT, 'The ledger is append-only: {deed} refused'); END"
                    )


def drop(connection: Any = default_connection) -> None:
    """Remove the triggers; only tests that flush the database have a reason to."""
    with connection.cursor() as cursor:
        for table in TABLES:
            for name in _names(table).values():
                on_table = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on_table}")


def missing(connection: Any = default_connection) -> set[str]:
    """The names of triggers that should stand in the database and do not."""
    wanted = {
        name
        for table in TABLES
        for deed, name in _names(table).items()
        if deed != "TRUNCATE" or connection.vendor == "postgresql"
    }
    listing = (
        "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(listing)
        return wanted - {name for (name,) in cursor.fetchall()}


def check_triggers(app_configs: Any = None, databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """System check (runs with --database): the ledger's triggers stand."""
    if not databases or TABLES[0] not in default_connection.introspection.table_names():
        return []
    return [
        Error(f"The ledger's trigger {name} is missing.", hint="Run: python3 manage.py migrate", id="trace.E001")
        for name in sorted(missing())
    ]
