"""The invented history is what the project itself would have on record."""

from __future__ import annotations

from django.db import connection

from trace.core.models import Person
from trace.floor.draws import reckon_feed
from trace.floor.models import Pass, Unit
from trace.management.benchmark.history import History
from trace.management.benchmark.intake import Intake
from trace.management.benchmark.load import without_indexes
from trace.material.models import Feed, FeedRecord, Span
from trace.material.rules import Draw, reckon


def spans_now() -> set[tuple]:
    names = ("feed", "container", "first", "end", "sure_from", "since", "until", "oldest")
    return set(Span.objects.filter(superseded=None).values_list(*names))


def test_spans_are_those_of_the_project_reckoned_from_records_and_passes(loaded: History) -> None:
    invented = spans_now()
    assert {"load", "splice"} <= set(FeedRecord.objects.values_list("act", flat=True))
    Span.objects.all().delete()
    for feed in Feed.objects.all():
        reckon_feed(feed, Person.objects.get())
    assert spans_now() == invented
    assert not Feed.objects.filter(unsettled=True).exists()


def test_reckoning_by_stretches_is_reckoning_at_once() -> None:
    history = History(1_500, seed=4)
    line, supply = history.line, history.supply
    for plan in line.feeds:
        draws = [Draw(*line.range_of(plan.station, i), len(plan.designators)) for i in range(history.boards)]
        whole = reckon(supply.records[plan.id], draws, on_clock=plan.station == 0)
        assert sorted(supply.spans[plan.id], key=str) == sorted(whole.spans, key=str)


def test_the_same_seed_gives_the_same_history() -> None:
    def everything(seed: int) -> list:
        return [(rows.model, list(rows.rows)) for rows in History(400, seed).tables()]

    assert everything(1) == everything(1)
    assert everything(1) != everything(2)


def test_rows_keep_the_rules_of_the_database(loaded: History) -> None:
    connection.check_constraints()
    assert Unit.objects.filter(by_designator=True).count() == len(loaded.repairs) > 0
    assert Pass.objects.filter(length_class__gt=30).exists()


def test_new_passes_are_recorded_after_it(loaded: History) -> None:
    before = Pass.objects.count()
    timings = Intake(loaded).measure(1)
    assert set(timings) == {"one", "one bare", "rack", "rack bare"}
    assert Pass.objects.count() == before + 2 * (1 + 1 + 100 + 100)


def test_indexes_and_keys_come_back(loaded: History) -> None:
    def constraints() -> dict:
        with connection.cursor() as cursor:
            return connection.introspection.get_constraints(cursor, Pass._meta.db_table)

    before = constraints()
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    with without_indexes():
        assert len(constraints()) < len(before)
    assert constraints() == before
