"""Triggers that keep the ledger and the signatures append-only, on both databases.

Installed after every migrate, because changing a table on SQLite silently drops its triggers;
a system check says when they are missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error
from django.db import connection as default_connection

TABLES = ("trace_event", "trace_eventsubject", "trace_signature")

_POSTGRESQL_FUNCTION = """
CREATE OR REPLACE FUNCTION trace_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'The ledger is append-only: % refused on %', TG_OP, TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""

# SQLite's INSERT OR REPLACE deletes what is in its way without asking a DELETE trigger.
_SAME = {
    "trace_event": "old.id = NEW.id",
    "trace_eventsubject": "old.id = NEW.id OR (old.event_id, old.kind, old.key) = (NEW.event_id, NEW.kind, NEW.key)",
    "trace_signature": "old.id = NEW.id OR (old.person_id, old.meaning, old.digest) = "
    "(NEW.person_id, NEW.meaning, NEW.digest)",
}


def _triggers(table: str, vendor: str) -> dict[str, str]:
    """{name: statement that creates it} of the table's triggers."""
    if vendor == "postgresql":
        refuse = "FOR EACH STATEMENT EXECUTE FUNCTION trace_append_only()"
        return {
            f"{table}_no_{deed.lower()}": f"BEFORE {deed} ON {table} {refuse}"
            for deed in ("UPDATE", "DELETE", "TRUNCATE")
        }
    refused = "BEGIN SELECT RAISE(ABORT, 'The ledger is append-only: {} refused'); END"
    there = f"WHEN EXISTS (SELECT 1 FROM {table} AS old WHERE {_SAME[table]})"
    return {
        f"{table}_no_update": f"BEFORE UPDATE ON {table} {refused.format('UPDATE')}",
        f"{table}_no_delete": f"BEFORE DELETE ON {table} {refused.format('DELETE')}",
        f"{table}_no_replace": f"BEFORE INSERT ON {table} {there} {refused.format('REPLACE')}",
    }


def install(connection: Any = default_connection) -> None:
    """Create the triggers, whatever was there before."""
    drop(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_POSTGRESQL_FUNCTION)
        for table in TABLES:
            for name, text in _triggers(table, connection.vendor).items():
                cursor.execute(f"CREATE TRIGGER {name} {text}")


def drop(connection: Any = default_connection) -> None:
    """Remove the triggers; only tests that flush the database have a reason to."""
    with connection.cursor() as cursor:
        for table in TABLES:
            for name in _triggers(table, connection.vendor):
                on_table = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on_table}")


def missing(connection: Any = default_connection) -> set[str]:
    """The names of triggers that should stand in the database and do not."""
    wanted = {name for table in TABLES for name in _triggers(table, connection.vendor)}
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
