"""What every scan asks looks up what it needs by index, however much the plant has received, loaded and held."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from django.db import connection

from tests.histories import loaded
from trace.core.clock import from_ticks, to_ticks
from trace.core.sql import insert_rows
from trace.engineering.models import Station
from trace.floor.evidence import gather_evidence
from trace.floor.operations.passes import record_passes
from trace.holds.models import Hold
from trace.management.benchmark.history import History, Rows
from trace.management.benchmark.intake import Intake
from trace.management.benchmark.load import gather_statistics, load_rows
from trace.material.models import Container, Feed, FeedRecord, Lot, Span

pytestmark = pytest.mark.django_db  # else no database is made where these tests run alone

MANY = 50_000
LARGE = {model._meta.db_table for model in (Lot, Container, Span, FeedRecord, Hold)}


@pytest.fixture(scope="module")
def plans(django_db_setup, django_db_blocker) -> Iterator[dict[str, str]]:
    """The plans of the interlock's statement and of what draws may move, by which PostgreSQL runs them from a
    connection's fourth scan on, whatever their parameters."""
    with loaded(2_000, django_db_blocker) as history:
        load_long_past(history)
        yield {name: explain(*asked) for name, asked in statements_of_a_scan(history).items()}


def load_long_past(history: History) -> None:
    """Many lots, each in a container that was on a feed once; and many units are held."""
    numbers, feeds = range(1_000_000, 1_000_000 + MANY), list(Feed.objects.order_by("pk").values_list("pk", "axis"))
    received = from_ticks(history.line.moment(0))
    for model, names, row in (
        (
            Lot,
            "id key supplier part number date_code received",
            lambda n: (n, f"OLD-{n}", 1, 1, f"N{n}", "2301", received),
        ),
        (Container, "id key part lot received", lambda n: (n, f"OLD-C{n}", 1, n, 0)),
        (
            Span,
            "feed axis container first end since until oldest recorded",
            lambda n: (*feeds[n % len(feeds)], n, n - 1_000_000, n - 999_999, 0, 1, n - 1_000_000, 1),
        ),
        (
            FeedRecord,
            "feed act container first last happened by recorded",
            lambda n: (feeds[n % len(feeds)][0], "load", n, n - 1_000_000, n - 1_000_000, 0, 1, 1),
        ),
    ):
        load_rows(Rows(model, names.split(), map(row, numbers)))
    said = "target_kind target_key reason permits placed placed_by recorded release_reason under"
    held = (("unit", f"OLD-U{n}", "It drifts.", [], received, 1, received, "", "") for n in numbers)
    insert_rows(Hold, said.split(), held)
    gather_statistics()


def statements_of_a_scan(history: History) -> dict[str, tuple[str, dict]]:
    """Of a scan at a station on the clock, and what the interlock asks at one that counts its cycles."""
    intake, asked = Intake(history), list[tuple[str, dict]]()
    entered = from_ticks(history.line.moment(history.boards))

    def keep(execute, text, parameters, many, context):  # type: ignore[no-untyped-def]
        asked.append((text, parameters))
        return execute(text, parameters, many, context)

    with connection.execute_wrapper(keep):
        record_passes(
            units=[next(intake.fresh)],
            station=intake.station,
            entered=entered,
            at=entered + timedelta(seconds=24),
            by=intake.by,
        )
        counting = Station.objects.get(key="INSERT")
        gather_evidence([next(intake.fresh)], counting, to_ticks(entered), None, [(history.boards, history.boards)])
    interlock, at_positions = (one for one in asked if one[0].startswith("-- What the interlock looks at"))
    (moved,) = (one for one in asked if one[0].startswith("-- The feeds that serve"))
    return {"interlock": interlock, "interlock at positions": at_positions, "moved": moved}


def explain(text: str, parameters: dict) -> str:
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(f"EXPLAIN QUERY PLAN {text}", parameters)
        else:
            names = list(dict.fromkeys(re.findall(r"%\((\w+)\)s", text)))
            for number, name in enumerate(names, 1):
                text = text.replace(f"%({name})s", f"${number}")
            # As on a disk without a moving arm, where production runs.
            cursor.execute("SET LOCAL random_page_cost = 1.1")
            cursor.execute("SET LOCAL plan_cache_mode = force_generic_plan")
            cursor.execute(f"PREPARE scan AS {text}".replace("%", "%%"), [])
            cursor.execute(
                f"EXPLAIN EXECUTE scan ({', '.join(['%s'] * len(names))})",
                [literal(parameters[name]) for name in names],
            )
        plan = "\n".join(str(row[-1]) for row in cursor.fetchall())
        if connection.vendor == "postgresql":
            cursor.execute("DEALLOCATE scan")
        return plan


def literal(value: object) -> str:
    return "{" + ",".join(map(str, value)) + "}" if isinstance(value, list) else str(value)


@pytest.mark.parametrize("name", ["interlock", "interlock at positions", "moved"])
def test_no_large_table_is_read_whole(plans: dict[str, str], name: str) -> None:
    if connection.vendor == "postgresql":
        read = set(re.findall(r"Seq Scan on (\w+)", plans[name]))
    else:
        read = set(re.findall(r"^(?:SCAN|BLOOM FILTER ON) (\w+)", plans[name], re.MULTILINE))
        assert not read & {"span", "record", "hold", "lot", "container"}, plans[name]
    assert not read & LARGE, plans[name]


@pytest.mark.parametrize("name", ["interlock", "moved"])
def test_what_gives_at_a_station_lies_side_by_side(plans: dict[str, str], name: str) -> None:
    assert "spans_of_axis" in plans[name] and "spans_of_feed" not in plans[name]
