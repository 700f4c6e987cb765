"""What many tests stand on is built by operations once in a process, and put there again by copying its rows: building
takes longer than most of what is asked of it."""

from __future__ import annotations

import copy
import functools
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any, TypeVar

import pytest
from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, transaction

from trace.core import clock
from trace.core.models import Person, User

T = TypeVar("T")
Rows = dict[str, tuple[str, list[tuple[Any, ...]]]]

MIGRATED = {"django_content_type", "auth_permission"}
"""Tables that migrations fill."""


def built_once(build: Callable[[], T]) -> Callable[[], T]:
    """`build` makes something of an empty database, and returns what a test names of it, the same every time. Where
    something is there already it is built in full."""
    kept: list[tuple[Rows, T]] = []

    @functools.wraps(build)
    def again() -> T:
        if Person.objects.exists() or User.objects.exists():  # without either nothing is done
            return build()
        if clock.datetime is not datetime:  # recorded then by a clock that one test tells
            return build()
        if not kept:
            made = build()
            kept.append((read_rows(), copy.deepcopy(made)))
            return made
        rows, made = kept[0]
        write_rows(rows)
        return copy.deepcopy(made)

    return again


def plant_first(request: pytest.FixtureRequest) -> None:
    """For fixtures that make an account: where the test asks for a plant as well, in whichever order, that comes before
    it, into the empty database from which it is copied."""
    if "suspects" in request.fixturenames:
        request.getfixturevalue("suspects")


def read_rows() -> Rows:
    """The rows of every table that has any, with the names of its columns."""
    found: Rows = {}
    with connection.cursor() as cursor:
        for table, columns in tables():
            cursor.execute(f'SELECT {columns} FROM "{table}"')
            if of_table := [tuple(map(_cell, row)) for row in cursor.fetchall()]:
                found[table] = (columns, of_table)
    return found


def _cell(value: Any) -> Any:
    """As it goes in again: SQLite keeps moments as text and gives them as what they mean."""
    return str(value) if connection.vendor == "sqlite" and isinstance(value, date | time) else value


def write_rows(rows: Rows) -> None:
    """Into empty tables."""
    with transaction.atomic(), connection.cursor() as cursor:
        for table, (columns, of_table) in rows.items():
            places = ", ".join(["%s"] * len(of_table[0]))
            cursor.executemany(f'INSERT INTO "{table}" ({columns}) VALUES ({places})', of_table)
        if numbered := _numbering(connection.vendor):
            cursor.execute(numbered)  # ids go on after those that came back, whatever was numbered meanwhile


def empty_tables() -> None:
    """Of what tests filled. Django's own way takes long on PostgreSQL, where it empties what is empty too."""
    asked = " UNION ALL ".join(f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM \"{table}\")" for table, _ in tables())
    with connection.cursor() as cursor:
        cursor.execute(asked)
        for (table,) in cursor.fetchall():
            cursor.execute(f'DELETE FROM "{table}"')


@functools.cache
def _numbering(vendor: str) -> str:
    """PostgreSQL numbers rows apart from them."""
    return " ".join(connection.ops.sequence_reset_sql(no_style(), apps.get_models(include_auto_created=True)))


@functools.cache
def tables() -> list[tuple[str, str]]:
    """Each table that tests fill, and its columns, but for those that the database reckons."""
    every = (model._meta for model in apps.get_models(include_auto_created=True))
    return [
        (it.db_table, ", ".join(f'"{field.column}"' for field in it.concrete_fields if not field.generated))
        for it in every
        if it.managed and it.db_table not in MIGRATED
    ]
