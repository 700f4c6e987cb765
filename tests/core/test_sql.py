import json
from pathlib import Path

import pytest
from django.db import IntegrityError, transaction

from tests.factories import Plant, moment
from trace.core.sql import fetch, insert_rows, load_sql
from trace.engineering.models import Part
from trace.holds.models import Hold


@pytest.fixture
def anchor(tmp_path: Path) -> str:
    (tmp_path / "sql").mkdir()
    (tmp_path / "sql" / "both.sql").write_text("SELECT 1 -- ä")
    (tmp_path / "sql" / "pair.sqlite.sql").write_text("SELECT 2")
    (tmp_path / "sql" / "pair.postgresql.sql").write_text("SELECT 3")
    return str(tmp_path / "queries.py")


@pytest.mark.parametrize(
    ("name", "vendor", "text"),
    [
        ("both", "sqlite", "SELECT 1 -- ä"),
        ("both", "postgresql", "SELECT 1 -- ä"),
        ("pair", "sqlite", "SELECT 2"),
        ("pair", "postgresql", "SELECT 3"),
    ],
)
def test_the_file_of_the_database_comes_before_the_common_one(anchor, name, vendor, text):
    assert load_sql(anchor, name, vendor) == text


def test_a_query_that_is_nowhere_is_named(anchor):
    with pytest.raises(FileNotFoundError, match=r"lost\.sqlite\.sql or .*lost\.sql"):
        load_sql(anchor, "lost", "sqlite")


@pytest.mark.django_db
def test_lists_are_asked_and_answered_alike_on_either_database(anchor):
    (Path(anchor).parent / "sql" / "lists.sql").write_text(
        "SELECT (SELECT jsonb_agg(jsonb_build_array(number, name)) FROM trace_part WHERE name = ANY(%(names)s)),"
        " 1 = ANY(%(none)s)"
    )
    ((nothing, none),) = fetch(anchor, "lists", names=["x"], none=[])
    assert (json.loads(nothing or "[]"), none) == ([], False)
    for name in ("x", "y", "z"):
        Part.objects.create(key=name.upper(), number=name.upper(), name=name)
    ((found, none),) = fetch(anchor, "lists", names=["x", "z"], none=[])
    assert (sorted(json.loads(found)), none) == ([["X", "x"], ["Z", "z"]], False)


@pytest.mark.django_db
def test_a_query_sets_out_from_a_list_and_takes_fragments(anchor):
    (Path(anchor).parent / "sql" / "each.sql").write_text(
        "WITH asked(id) AS (SELECT {each ids}) SELECT id FROM asked {when} ORDER BY id"
    )
    assert fetch(anchor, "each", {"when": "WHERE id > 1"}, ids=[3, 1, 2]) == [(2,), (3,)]
    assert fetch(anchor, "each", {"when": ""}, ids=[]) == []


OF_HOLD = (
    *("target_kind", "target_key", "permits", "reason", "placed", "placed_by", "recorded", "release_reason"),
    "under",
)


@pytest.mark.django_db
def test_rows_are_inserted_as_bulk_create_does():
    plant = Plant()
    told = ("unit", "U\t\\1", ["finish"], "ä\nb", moment(3), plant.ann.pk, moment(4), "", "CM-1")
    insert_rows(Hold, OF_HOLD, (one for one in [told, ("unit", "U2", [], *told[3:])]))
    (kept,) = Hold.objects.bulk_create(
        [Hold(**dict(zip(OF_HOLD, ("unit", "U3", *told[2:5], plant.ann, *told[6:]), strict=True)))]
    )
    rows = [
        [value for name, value in row.items() if name not in ("id", "target_key")]
        for row in Hold.objects.order_by("pk").values()
    ]
    assert rows[0] == rows[2] and kept.pk == Hold.objects.order_by("pk").last().pk
    assert list(Hold.objects.order_by("pk").values_list("target_key", "permits"))[:2] == [
        ("U\t\\1", ["finish"]),
        ("U2", []),
    ]


@pytest.mark.django_db
def test_what_the_database_refuses_is_refused_as_ever():
    plant = Plant()
    row = ("unit", "U", [], "x", moment(), plant.ann.pk, moment(), "", "CM-1")
    with pytest.raises(IntegrityError), transaction.atomic():
        insert_rows(Hold, OF_HOLD, [row, row])
    assert not Hold.objects.exists()
