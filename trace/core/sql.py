"""Raw SQL lives in files of its own, in a folder `sql` beside the module that runs it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from django.db import connection
from django.db.models import Model

M = TypeVar("M", bound=Model)


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


SQLITE = {
    "jsonb_agg": "json_group_array",
    "jsonb_build_array": "json_array",
    "to_jsonb": "json",
    "FOR UPDATE OF feed": "",
}
"""What PostgreSQL has, by SQLite's names. Rows need no lock where nobody else writes meanwhile."""

_FEW = re.compile(r"= ANY\(ARRAY\((SELECT [^()]+)\)\)")
"""Among the few rows that a step gave: PostgreSQL expects many of a step, and would read a large table whole beside it;
of an array it expects few."""

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


def fetch_planned(anchor: str, name: str, fragments: Mapping[str, str] | None = None, **parameters: Any) -> list[tuple]:
    """As `fetch`, by `planned_cursor`."""
    with planned_cursor() as cursor:
        cursor.execute(*prepare(anchor, name, parameters, fragments))
        return cursor.fetchall()


def planned_cursor() -> Any:
    """For what every scan asks: PostgreSQL plans it once for a connection, since planning takes longer than it runs.
    Of its parameters the types must be plain from where they stand, and no plan may depend on them."""
    if connection.vendor != "postgresql":
        return connection.cursor()
    connection.ensure_connection()
    return connection._prepare_cursor(_planned()(connection.connection))  # type: ignore[attr-defined]


def insert_rows(model: type[Model], names: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert many rows, with the values of these fields in order (of what points at another record its id): what
    `bulk_create` does, in a fraction of the time, but no record is made of a row, and no field takes its default."""
    of_name = {field.name: field for field in model._meta.concrete_fields}
    fields = [of_name[name] for name in names]
    columns = ", ".join(f'"{field.column}"' for field in fields)
    odd = [n for n, field in enumerate(fields) if field.get_internal_type() in ("DateTimeField", "JSONField")]
    before: dict[int, tuple[Any, Any]] = dict.fromkeys(odd, (None, None))

    def cells(row: Sequence[Any]) -> list[Any]:
        ready = list(row)
        for n in odd:
            if ready[n] is not before[n][0]:  # often all rows have one and the same
                before[n] = ready[n], fields[n].get_db_prep_save(ready[n], connection)
            ready[n] = before[n][1]
        return ready

    with connection.cursor() as cursor, connection.wrap_database_errors:
        if connection.vendor == "postgresql":
            with cursor.cursor.copy(f"COPY {model._meta.db_table} ({columns}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(cells(row))
        else:
            marks = ", ".join("?" for _ in fields)
            text = f"INSERT INTO {model._meta.db_table} ({columns}) VALUES ({marks})"
            connection.connection.executemany(text, map(cells, rows))


def create_rows(records: Sequence[Model]) -> None:
    """Insert new records of one model, one or more, which get their ids: what `bulk_create` does, but composed once,
    since at a scan composing takes longer than inserting."""
    head, marks = _inserting(type(records[0]))
    told = [
        field.get_db_prep_save(getattr(one, name), connection) if field else getattr(one, name)
        for one in records
        for name, field in _told_of(type(records[0]))
    ]
    with planned_cursor() if len(records) == 1 else connection.cursor() as cursor:
        cursor.execute(f"{head} {', '.join([marks] * len(records))} RETURNING id", told)
        for one, (pk,) in zip(records, cursor.fetchall(), strict=True):
            one.pk, one._state.adding, one._state.db = pk, False, connection.alias


AS_IT_IS = {
    "BigIntegerField",
    "BooleanField",
    "CharField",
    "ForeignKey",
    "IntegerField",
    "PositiveSmallIntegerField",
    "TextField",
}
"""Kinds of fields whose values a database takes as they are."""


@cache
def _told_of(model: type[Model]) -> list[tuple[str, Any]]:
    """What of a record is inserted, and for what a database takes otherwise its field, which knows how."""
    return [(field.attname, None if field.get_internal_type() in AS_IT_IS else field) for field in _fields_of(model)]


@cache
def _inserting(model: type[Model]) -> tuple[str, str]:
    fields = _fields_of(model)
    columns = ", ".join(f'"{field.column}"' for field in fields)
    return f"INSERT INTO {model._meta.db_table} ({columns}) VALUES", f"({', '.join(['%s'] * len(fields))})"


def lock_rows(model: type[M], ids: Iterable[int], after: Model | None = None) -> list[M]:
    """These rows by ascending id, locked until the transaction ends, each `after` another record where that is given:
    what `select_for_update` does, but composed once, since at a scan composing takes longer than locking."""
    with planned_cursor() as cursor:
        if connection.vendor == "postgresql":
            told = [list(ids), *([after.pk] if after else [])]
            cursor.execute(_locking(model, type(after) if after else None), told)
        else:
            cursor.execute(_reading(model), [json.dumps(list(ids))])
        rows = [list(row) for row in cursor.fetchall()]
    names, converters = _columns(model, connection.vendor)
    for place, column, convert in converters:
        for row in rows:
            row[place] = convert(row[place], column, connection)
    return [model.from_db(connection.alias, names, row) for row in rows]


@cache
def _columns(model: type[Model], vendor: str) -> tuple[list[str], list[tuple[int, Any, Any]]]:
    """The names of its fields, and how what a database of this kind gives becomes their values: place, column, how."""
    fields = model._meta.concrete_fields
    found = (
        model._default_manager.all()
        .query.get_compiler(connection=connection)
        .get_converters([field.cached_col for field in fields])
    )
    converters = [(place, column, convert) for place, (each, column) in found.items() for convert in each]
    return [field.attname for field in fields], converters


@cache
def _locking(model: type[Model], after: type[Model] | None) -> str:
    # What refers to no row is answered, hence locked, before the first row is looked for.
    first = f"(SELECT FROM {after._meta.db_table} WHERE id = %s FOR UPDATE)" if after else ""
    held = f"AND (SELECT count(*) FROM {first} AS held) = 1" if after else ""
    return f"{_rows_of(model)} = ANY(%s::bigint[]) {held} ORDER BY id FOR UPDATE"


@cache
def _reading(model: type[Model]) -> str:
    """Where whoever writes is alone."""
    return f"{_rows_of(model)} IN (SELECT value FROM json_each(%s)) ORDER BY id"


def _fields_of(model: type[Model]) -> list[Any]:
    """Those that are told and not numbered by the database."""
    return [field for field in model._meta.concrete_fields if not field.primary_key]


def _rows_of(model: type[Model]) -> str:
    columns = ", ".join(f'"{field.column}"' for field in model._meta.concrete_fields)
    return f"SELECT {columns} FROM {model._meta.db_table} WHERE id"


@cache
def _planned() -> Any:
    from django.db.backends.postgresql.base import ServerBindingCursor
    from psycopg import _queries

    _queries.MAX_CACHED_STATEMENT_LENGTH = 20_000  # what is longer psycopg reads anew each time; ours are few

    class PlannedCursor(ServerBindingCursor):
        """The server binds the parameters; a log of queries is told the statement, as by Django's own cursor."""

        def _convert_query(self, query: Any, params: Any = None) -> Any:
            self._query = super()._convert_query(query, params)  # type: ignore[misc]
            return self._query

    return PlannedCursor


def prepare(
    anchor: str, name: str, parameters: Mapping[str, Any], fragments: Mapping[str, str] | None = None
) -> tuple[str, dict[str, Any]]:
    """The text of a named query for the current database, and its parameters.

    A text common to both databases is PostgreSQL's. One of a list is `= ANY(%(list)s)`, told as `= %(list)s` where the
    list has but one, of which each database makes less. Many rows in one are `jsonb_agg(jsonb_build_array(…))`, in JSON
    or None. A list of ids from which a query sets out is `{each list}`; what is looked up for few rows of an earlier
    step is `= ANY(ARRAY(SELECT …))`.
    `fragments`: what stands for other names in braces.
    """
    lists = tuple((one, len(value) == 1) for one, value in parameters.items() if isinstance(value, list))
    text, as_json, alone = _text(anchor, name, connection.vendor, tuple((fragments or {}).items()), lists)
    told = {one: json.dumps(parameters[one]) for one in as_json} | {one: parameters[one][0] for one in alone}
    return text, {**parameters, **told}


@cache
def _text(
    anchor: str, name: str, vendor: str, fragments: tuple[tuple[str, str], ...], lists: tuple[tuple[str, bool], ...]
) -> tuple[str, list[str], list[str]]:
    """The text, and which of the lists, each with whether it is of one, it wants as JSON, and which as that one."""
    text = load_sql(anchor, name, vendor)
    for fragment, meaning in fragments:
        text = text.replace(f"{{{fragment}}}", meaning)
    alone = [
        one
        for one, single in lists
        if single and text.count(f"= ANY(%({one})s)") == text.count(f"%({one})s") + text.count(f"{{each {one}}}")
    ]
    for one in alone:
        text = text.replace(f"= ANY(%({one})s)", f"= %({one})s")
    as_json = [one for one, _ in lists if one not in alone and (vendor == "sqlite" or f"{{each {one}}}" in text)]
    if vendor == "sqlite":
        for theirs, ours in SQLITE.items():
            text = text.replace(theirs, ours)
        text = _FEW.sub(r"IN (\1)", text)
    for one, _ in lists:
        if vendor == "sqlite":
            text = text.replace(f"= ANY(%({one})s)", f"IN (SELECT value FROM json_each(%({one})s))")
        text = text.replace(f"{{each {one}}}", EACH[vendor].format(list=one))
    return text, as_json, alone
