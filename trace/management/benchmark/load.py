"""Bulk loading: rows go straight into the tables, past models and operations."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import islice
from typing import Any

from django.core.management.color import no_style
from django.db import connection, models, transaction

from trace.floor.models import Fitting, Pass, Unit
from trace.management.benchmark.history import History, Rows

BATCH = 20_000
LARGE = (Unit, Pass, Fitting)
"""Models whose indexes and foreign keys are left out while they are filled."""


def load_history(history: History) -> dict[str, int]:
    """Fill the tables of the current database, which must be empty. Returns {table: number of rows}."""
    with transaction.atomic():
        counts = {rows.model._meta.db_table: load_rows(rows) for rows in history.tables()}
    filled = [rows.model for rows in history.tables()]
    with connection.cursor() as cursor:
        for sql in connection.ops.sequence_reset_sql(no_style(), filled):
            cursor.execute(sql)
    return counts


def load_rows(rows: Rows) -> int:
    """Insert rows of one model; a field that they don't name has its default, the key the database's own."""
    named = [rows.model._meta.get_field(name) for name in rows.names]
    others = [f for f in rows.model._meta.concrete_fields if f not in named and not f.primary_key and not f.generated]
    constants = tuple(f.get_db_prep_save(f.get_default(), connection) for f in others)
    fields: list[Any] = [*named, *others]
    prepared = _with_datetimes(rows.rows, fields)
    insert = _copy if connection.vendor == "postgresql" else _insert
    return insert(rows.model._meta.db_table, fields, (row + constants for row in prepared))


def _with_datetimes(rows: Iterator[tuple[Any, ...]], fields: list[Any]) -> Iterator[tuple[Any, ...]]:
    if not any(isinstance(field, models.DateTimeField) for field in fields):
        return rows
    adapt: Callable[[datetime], Any] = connection.ops.adapt_datetimefield_value
    return (tuple(adapt(v) if isinstance(v, datetime) else v for v in row) for row in rows)


def _copy(table: str, fields: list[Any], rows: Iterator[tuple[Any, ...]]) -> int:
    quote = connection.ops.quote_name
    texts = [quote(f.column) for f in fields if f.empty_strings_allowed and not f.null]
    empty = f", FORCE_NOT_NULL ({', '.join(texts)})" if texts else ""
    columns = ", ".join(quote(field.column) for field in fields)
    count = 0
    with connection.cursor() as cursor, cursor.copy(
        f"COPY {quote(table)} ({columns}) FROM STDIN (FORMAT csv{empty})"
    ) as copy:  # fmt: skip
        while batch := list(islice(rows, BATCH)):
            text = io.StringIO()
            csv.writer(text).writerows(batch)
            copy.write(text.getvalue())
            count += len(batch)
    return count


def _insert(table: str, fields: list[Any], rows: Iterator[tuple[Any, ...]]) -> int:
    quote = connection.ops.quote_name
    columns, marks = ", ".join(quote(f.column) for f in fields), ", ".join("?" * len(fields))
    count = 0
    connection.ensure_connection()
    cursor = connection.connection.cursor()  # sqlite3's own: Django's would rewrite every statement
    while batch := list(islice(rows, BATCH)):
        cursor.executemany(f"INSERT INTO {quote(table)} ({columns}) VALUES ({marks})", batch)
        count += len(batch)
    return count


@contextmanager
def without_indexes() -> Iterator[None]:
    """The large tables have neither indexes nor foreign keys meanwhile, and afterwards what they had before."""
    tables = [model._meta.db_table for model in LARGE]
    find = _indexes_on_postgresql if connection.vendor == "postgresql" else _indexes_on_sqlite
    with connection.cursor() as cursor:
        found = [entry for table in tables for entry in find(cursor, table)]
        for drop, _ in found:
            cursor.execute(drop)
    yield
    with connection.cursor() as cursor:
        for _, make in reversed(found):
            cursor.execute(make)


def _indexes_on_postgresql(cursor: Any, table: str) -> list[tuple[str, str]]:
    """(statement that drops, statement that makes again), foreign keys first: they are made last."""
    cursor.execute(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = %s::regclass AND contype = 'f'",
        [table],
    )
    keys = [
        (f'ALTER TABLE {table} DROP CONSTRAINT "{name}"', f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {text}')
        for name, text in cursor.fetchall()
    ]
    cursor.execute(
        "SELECT i.indexrelid::regclass::text, pg_get_indexdef(i.indexrelid) FROM pg_index i"
        " WHERE i.indrelid = %s::regclass"
        " AND NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conindid = i.indexrelid)",
        [table],
    )
    return keys + [(f"DROP INDEX {name}", text) for name, text in cursor.fetchall()]


def _indexes_on_sqlite(cursor: Any, table: str) -> list[tuple[str, str]]:
    cursor.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND tbl_name = %s AND sql IS NOT NULL", [table]
    )
    return [(f'DROP INDEX "{name}"', text) for name, text in cursor.fetchall()]


def gather_statistics() -> None:
    """What the planners know of the tables."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
