"""One row per placed part in the same database as the project's tables, and a recursive query."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from django.db import connection, transaction

from trace.core.sql import load_sql
from trace.management.benchmark.answers import Backward, Forward
from trace.management.benchmark.databases import table_sizes, version
from trace.management.benchmark.history import History, Question
from trace.management.benchmark.rivals.edges import list_runs

COLUMNS = "unit bigint, designator varchar(20), container bigint, pass bigint, candidates smallint, until bigint"
RUN = "feed bigint, first bigint, last bigint, container bigint, candidates smallint"
CHUNK = 5_000
"""Boards filled in one statement."""


BOARDS = {
    "postgresql": "CROSS JOIN LATERAL generate_series(greatest(r.first, {low}), least(r.last, {high})) AS u(id)",
    "sqlite": "CROSS JOIN trace_unit u ON u.id BETWEEN max(r.first, {low}) AND min(r.last, {high})",
    "duckdb": "CROSS JOIN LATERAL ("
    "SELECT unnest(generate_series(greatest(r.first, {low}), least(r.last, {high}))) AS id) AS u",
}
"""The boards of a run `r`, as each database gets them soonest."""


def fill(history: History, execute: Callable[[str], Any], vendor: str) -> None:
    """Fill `placed` from `run`, and with what was fitted at repair."""
    text = load_sql(__file__, "rows_fill", "").replace("{boards}", BOARDS[vendor])
    for low in range(1, history.boards + 1, CHUNK):
        execute(text.format(low=low, high=min(low + CHUNK - 1, history.boards)))
    execute(
        "INSERT INTO placed SELECT unit_id, designator, container_id, NULL, 1, NULL FROM trace_fitting"
        " WHERE holds = 'container'"
    )


def ask_rows(question: Question, fetch: Callable[[str], list]) -> list:
    """The suspects first, then who carries them: in one statement planners misjudge how many they are."""

    def listed(ids: Iterable[int]) -> str:
        return ", ".join(map(str, ids)) or "NULL"

    text = load_sql(__file__, "rows_suspects", "")
    suspects = fetch(text.format(lots=listed(question.lots), containers=listed(question.containers)))
    return fetch(load_sql(__file__, "rows_forward", "").format(suspects=listed(pk for (pk,) in suspects)))


def backward_sql(key: str) -> str:
    return load_sql(__file__, "rows_backward", "").format(unit=key)


class RowPerPart:
    """The tables `placed`, and `run`, from which it is filled and which is then dropped."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.version = version()
        self.name = f"row per part, {self.version.split()[0]}"

    def build(self) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            # Nobody mourns it after a crash: it is spared the write-ahead log.
            unlogged = "UNLOGGED" if connection.vendor == "postgresql" else ""
            cursor.execute(f"CREATE {unlogged} TABLE run ({RUN})")
            cursor.execute(f"CREATE {unlogged} TABLE placed ({COLUMNS})")
            cursor.executemany("INSERT INTO run VALUES (%s, %s, %s, %s, %s)", list(list_runs(self.history)))
            cursor.execute("ANALYZE run")
            fill(self.history, cursor.execute, connection.vendor)
            cursor.execute("DROP TABLE run")
            cursor.execute("CREATE INDEX placed_unit ON placed (unit)")
            cursor.execute("CREATE INDEX placed_container ON placed (container)")
            cursor.execute("ANALYZE placed")

    def bytes(self) -> int:
        return table_sizes()["placed"]

    def ask(self, question: Question) -> list:
        return ask_rows(question, self._fetch)

    def look_into(self, key: str) -> list:
        return self._fetch(backward_sql(key))

    def _fetch(self, sql: str) -> list:
        with connection.cursor() as cursor:
            cursor.execute(sql)
            return cursor.fetchall()

    @staticmethod
    def forward_of(rows: list) -> Forward:
        return {unit: (sureness, top, customer or "") for unit, sureness, top, customer in rows}

    @staticmethod
    def backward_of(rows: list) -> Backward:
        return {(row[0], row[1]) for row in rows}

    def close(self) -> None:
        with connection.cursor() as cursor:
            cursor.execute("DROP TABLE placed")
