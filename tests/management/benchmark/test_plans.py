"""The hot statements read large tables by index, however much the plant has seen."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest
from django.db import connection

from tests.histories import loaded
from trace.floor.models import Unit
from trace.genealogy import reading
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.verdicts import gather_evidence, suspect_pieces
from trace.management.benchmark.history import History

pytestmark = pytest.mark.django_db  # else no database is made where these tests run alone

LARGE = {"trace_pass", "trace_unit", "trace_fitting", "trace_packing"}
NOW = 2**53 - 2


@pytest.fixture(scope="module")
def statements(django_db_setup, django_db_blocker) -> Iterator[dict[str, str]]:
    """The plan of each hot statement on a history of moderate size, as the database tells it."""
    with loaded(20_000, django_db_blocker) as history:
        yield {name: explain(name, **parameters) for name, parameters in asked(history)}


def asked(history: History) -> Iterator[tuple[str, dict]]:
    (container,) = history.one_container.containers
    evidence = gather_evidence(Suspicion(containers=frozenset([container])), NOW, lambda evidence: set())
    pieces = suspect_pieces(evidence.verdicts)
    assert pieces
    boards = list(Unit.objects.filter(key__gte="BOARD-00005000").order_by("pk").values_list("pk", flat=True)[:2_500])
    yield "ranges", {"ranges": json.dumps(pieces), "at": NOW}
    yield "passed", history.process_window.windows[0]._asdict()
    yield "homes", {"units": boards, "at": NOW}
    yield "places", {"units": boards, "at": NOW, "designators": ["R1"]}
    yield "packed", {"units": boards, "at": NOW}
    yield "whereabouts", {"units": boards, "at": NOW}


def explain(name: str, **parameters: object) -> str:
    sql, given = reading.prepare(name, parameters)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # As on a disk without a moving arm, where production runs.
            cursor.execute("SET LOCAL random_page_cost = 1.1")
        cursor.execute(("EXPLAIN " if connection.vendor == "postgresql" else "EXPLAIN QUERY PLAN ") + sql, given)
        return "\n".join(str(row[-1]) for row in cursor.fetchall())


@pytest.mark.parametrize("name", ["ranges", "passed", "homes", "places", "packed", "whereabouts"])
def test_no_large_table_is_read_whole(statements: dict[str, str], name: str) -> None:
    plan = statements[name]
    if connection.vendor == "postgresql":
        read = set(re.findall(r"Seq Scan on (\w+)", plan))
    else:
        aliases = dict(re.findall(r"(?:FROM|JOIN) (trace_\w+)(?: AS)? (\w+)", reading.prepare(name, {})[0]))
        tables = {alias: table for table, alias in aliases.items()}
        # A Bloom filter is made of the whole table.
        whole = re.findall(r"^(?:SCAN|BLOOM FILTER ON) (\w+)", plan, re.MULTILINE)
        read = {tables.get(alias, alias) for alias in whole}
    assert not read & LARGE, plan


def test_long_passes_are_found_by_their_own_index(statements: dict[str, str]) -> None:
    assert "long_passes_at_station" in statements["passed"]


def test_a_table_read_whole_would_be_noticed(statements: dict[str, str]) -> None:
    sql = "SELECT count(*) FROM trace_pass p WHERE p.error = 1"
    with connection.cursor() as cursor:
        cursor.execute(("EXPLAIN " if connection.vendor == "postgresql" else "EXPLAIN QUERY PLAN ") + sql)
        plan = "\n".join(str(row[-1]) for row in cursor.fetchall())
    assert "Seq Scan on trace_pass" in plan or "SCAN p" in plan
