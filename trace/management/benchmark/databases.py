"""Databases of the benchmark's own: made empty with the project's schema, dropped afterwards."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
from django.core.management import call_command
from django.db import connection, connections

from config import settings


@contextmanager
def on_sqlite(folder: Path, name: str) -> Iterator[None]:
    """The current database is a new SQLite file; it goes when done."""
    path = folder / f"{name}.sqlite3"
    try:
        with _current(settings.sqlite(str(path))):
            yield
    finally:
        for file in folder.glob(f"{path.name}*"):
            file.unlink()


@contextmanager
def on_postgresql(url: str, name: str) -> Iterator[None]:
    """The current database is a new one on the server of `url`, whose own database stays as it is."""
    name = f"trace_benchmark_{os.getpid()}_{name}"
    with psycopg.connect(url, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')
    try:
        place = urlunsplit(urlsplit(url)._replace(path=f"/{name}"))
        with _current(settings.postgresql(settings.env.db_url_config(place))):
            yield
    finally:
        with psycopg.connect(url, autocommit=True) as server:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@contextmanager
def _current(database: dict[str, Any]) -> Iterator[None]:
    before, settings_before = connections["default"], connections.settings["default"]
    _leave()
    connections.settings["default"] = connections.configure_settings({"default": database})["default"]
    del connections["default"]
    try:
        call_command("migrate", verbosity=0, interactive=False)
        yield
    finally:
        _leave()
        connections.settings["default"] = settings_before
        connections["default"] = before  # itself: whoever holds it closes what it opens


def _leave() -> None:
    connection.close()
    if connection.vendor == "postgresql":
        connection.close_pool()  # type: ignore[attr-defined]


def table_sizes() -> dict[str, int]:
    """Bytes of every table with its indexes."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT relname, pg_total_relation_size(oid) FROM pg_class WHERE relkind = 'r'")
        else:
            cursor.execute(
                "SELECT m.tbl_name, sum(d.pgsize) FROM dbstat d JOIN sqlite_master m ON m.name = d.name"
                " GROUP BY m.tbl_name"
            )
        return dict(cursor.fetchall())


def version() -> str:
    """The database and its version."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SHOW server_version")
            return f"PostgreSQL {cursor.fetchone()[0].split()[0]}"
        cursor.execute("SELECT sqlite_version()")
        return f"SQLite {cursor.fetchone()[0]}"
