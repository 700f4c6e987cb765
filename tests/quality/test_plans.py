"""The statements of a line read large tables by index, however much the plant has seen: 100,000 passes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from django.db import connection

from tests.histories import loaded
from trace.core import sql
from trace.core.clock import from_ticks
from trace.floor.models import Pass
from trace.management.benchmark.history import History
from trace.quality import queries
from trace.quality.lines import Line, get_line

pytestmark = pytest.mark.django_db  # else no database is made where these tests run alone

LARGE = {"trace_pass", "trace_fitting", "trace_packing"}


@pytest.fixture(scope="module")
def plans(django_db_setup, django_db_blocker) -> Iterator[dict[str, str]]:
    """The plan of each statement, as the database tells it, for an hour in the middle of the history."""
    with loaded(34_000, django_db_blocker) as history:
        assert Pass.objects.count() >= 100_000
        yield explain(get_line("", ""), history)


def explain(line: Line, history: History) -> dict[str, str]:
    asked: dict[str, tuple[str, dict]] = {}
    since = from_ticks(history.line.moment(history.boards // 2))
    until = since + timedelta(hours=1)

    def keep(anchor: str, name: str, fragments: dict | None = None, **parameters: object) -> list:
        asked[name] = sql.prepare(anchor, name, parameters, fragments)
        return []

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(queries.sql, "fetch", keep)
        queries.list_tries(line, since, until, since)
        queries.find_cycles(line, since, until, [since])
        queries.list_done(line, since, until)
        list(queries.list_units(line))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # As on a disk without a moving arm, where production runs.
            cursor.execute("SET LOCAL random_page_cost = 1.1")
        plans = {}
        for name, (text, given) in asked.items():
            cursor.execute(("EXPLAIN " if connection.vendor == "postgresql" else "EXPLAIN QUERY PLAN ") + text, given)
            plans[name] = "\n".join(str(row[-1]) for row in cursor.fetchall())
        return plans


@pytest.mark.parametrize("name", ["tries", "cycles", "done", "floor"])
def test_no_large_table_is_read_whole(plans: dict[str, str], name: str) -> None:
    plan = plans[name]
    if connection.vendor == "postgresql":
        read = set(re.findall(r"Seq Scan on (\w+)", plan))
    else:
        text = sql.load_sql(queries.__file__, name, "") + queries._FRAGMENTS["visits"]
        tables = dict(re.findall(r"(?:FROM|JOIN) (trace_\w+) (\w+)", text))
        tables = {alias: table for table, alias in tables.items()}
        # Without an alias SQLite names the table; a Bloom filter is made of the whole of it.
        read = {tables.get(name, name) for name in re.findall(r"^(?:SCAN|BLOOM FILTER ON) (\w+)", plan, re.MULTILINE)}
    assert not read & LARGE, plan


@pytest.mark.parametrize("name", ["tries", "cycles", "done"])
def test_a_window_is_found_by_the_stations_indexes(plans: dict[str, str], name: str) -> None:
    assert "passes_at_station" in plans[name] and "long_passes_at_station" in plans[name], plans[name]
