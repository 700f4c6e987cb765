"""Readings at a station: what may be recorded, what testers tell, how they are put right, what they cost."""

from __future__ import annotations

import json
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import make_person, make_station, moment, ticks
from tests.floor.measuring import GOOD, Bench
from tests.floor.test_query_counts import FINISH, count
from tests.refusals import refused
from trace.core.permissions import Role
from trace.engineering.models import Step
from trace.floor.models import Pass, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.readings import UnitReadings, record_readings, record_test, void_reading
from trace.floor.queries import find_due_step
from trace.floor.readings import list_readings
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


# What is recorded ----------------------------------------------------------------------------------------------------


def test_a_reading_keeps_what_was_read_where_when_by_whom_and_whether_it_was_good() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    ripple, gloss = bench.read(board)
    assert (ripple.value, ripple.good, ripple.judge, ripple.step, ripple.station) == (
        Decimal("12.5"), True, None, bench.step, bench.plant.test,
    )  # fmt: skip
    assert (gloss.value, gloss.good, gloss.judge, gloss.by) == (None, True, bench.plant.ann, bench.plant.ann)
    assert (ripple.happened, ripple.attempt, ripple.equipment, ripple.unfit) == (ticks(15), 1, None, "")
    vera = make_person("VERA")
    (again,) = bench.read(board, 16, {"2": "not good"}, judge=vera)
    assert (again.good, again.judge, again.attempt) == (False, vera, 2)


@pytest.mark.parametrize(
    ("told", "good"),
    [("20", True), ("20.000000", True), ("20.000001", False), ("-3", True), ("2e1", True), ("+.5 mV", True)],
)
def test_what_lies_on_a_limit_is_within(told: str, good: bool) -> None:
    """Common practice: a limit is the last value that conforms."""
    bench = Bench()
    (reading,) = bench.read(bench.board(), told={"1": told})
    assert reading.good is good


def test_below_a_lower_limit_is_outside() -> None:
    bench = Bench()
    bench.ask(3, "Output", unit_of_measure="V", lower=Decimal("4.9"), upper=Decimal("5.1"))
    board = bench.board()
    told = [bench.read(board, 15 + n, {"Output": value})[0].good for n, value in enumerate(("4.899999", "4.9", "5.1"))]
    assert told == [False, True, True]


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({}, "Nothing was read"),
        ({"Noise": "1"}, "“Noise” is not read here; asked is Ripple, Gloss"),
        ({"Ripple": "1", "1": "2"}, "Ripple is named twice"),
        ({"Ripple": "a lot"}, "Ripple: “a lot” is not a number"),
        ({"Ripple": ""}, "is not a number"),
        ({"Ripple": "NaN"}, "is not a number"),
        ({"Ripple": "inf"}, "is not a number"),
        ({"Ripple": "٣"}, "is not a number"),
        ({"Ripple": "1,5"}, "measured in mV, not in “,5”"),
        ({"Ripple": "good"}, "Ripple: “good” is not a number"),
        ({"Ripple": "1 V"}, "Ripple is measured in mV, not in “V”"),
        ({"Ripple": "1 MV"}, "not in “MV”"),
        ({"Ripple": "0.0000001"}, "too many digits"),
        ({"Ripple": "1e-999"}, "too many digits"),
        ({"Ripple": "1000000000000"}, "too many digits"),
        ({"Ripple": "9e999"}, "too many digits"),
        ({"Gloss": "1"}, "Gloss is judged"),
        ({"Gloss": "fine"}, "say good or not good"),
        ({"Ripple": "x", "Gloss": "y"}, "Ripple: “x” is not a number. Gloss is judged"),
    ],
)
def test_what_can_not_be_a_reading_is_refused_and_named(told: dict[str, str], says: str) -> None:
    bench = Bench()
    arguments = {"unit": bench.board(), "readings": told, "station": bench.plant.test}
    assert says in refused(bench.plant, "reading-refused", record_readings, 15, **arguments).message


@pytest.mark.parametrize("told", [{"Ripple": "1" * 41}, {"Rip\x00ple": "1"}, {"R" * 121: "1"}])
def test_what_can_not_be_stored_is_refused(told: dict[str, str]) -> None:
    bench = Bench()
    refused(bench.plant, "bad-text", record_readings, unit=bench.board(), readings=told, station=bench.plant.test)


def test_a_unit_is_read_where_it_is_inside_or_due() -> None:
    bench = Bench()
    plant = bench.plant
    fresh, board, scrapped = plant.boards(1)[0], bench.board(), bench.board()
    plant.do(scrap_unit, 9, unit=scrapped, reason="cracked")

    def says(unit: Unit, station: Any = None, minute: float = 15) -> str:
        arguments = {"unit": unit, "readings": GOOD, "station": station or plant.test}
        return refused(plant, "reading-refused", record_readings, minute, **arguments).message

    assert "still needs step 10, Step 10, at INSERT" in says(fresh)
    assert "still needs step 20" in says(board, plant.final)
    assert "was scrapped" in says(scrapped)
    assert "was made after" in says(board, minute=1)
    bench.into(board, 10)
    assert "went in after that moment" in says(board, minute=9)
    assert "is inside another station" in says(board, plant.insertion)
    bench.read(board)
    bench.out(board)
    assert "has no step left" in says(board, minute=30)


def test_of_steps_that_are_due_together_it_is_the_one_here() -> None:
    bench = Bench(free_order="tests")
    other = make_station("OTHER")
    step = Step.objects.create(part=bench.plant.board, number=30, name="Sound", free_order="tests")
    step.stations.set([other])
    bench.ask(3, "Noise", 30, unit_of_measure="dB", upper=Decimal(40))
    board = bench.board()
    (reading,) = bench.read(board, told={"Noise": "38"}, station=other)
    assert reading.step == step
    assert [one.step for one in bench.read(board)] == [bench.step] * 2


# A tester ------------------------------------------------------------------------------------------------------------


def test_a_tester_tells_of_many_units_in_one_event() -> None:
    bench = Bench()
    boards = [bench.board() for _ in range(3)]
    before = Event.objects.count()
    readings = bench.test([(board, {"Ripple": str(n)}) for n, board in enumerate(boards)])
    assert [(one.unit, one.value) for one in readings] == [(board, n) for n, board in enumerate(boards)]
    assert Event.objects.count() == before + 1
    event = Event.objects.latest("id")
    assert {board.key for board in boards} <= set(event.subjects.filter(kind="unit").values_list("key", flat=True))
    assert not Pass.objects.filter(station=bench.plant.test).exists()


def test_the_result_of_a_visit_follows_from_what_was_read() -> None:
    bench = Bench()
    good, outside, half = (bench.board() for _ in range(3))
    told = [(good, GOOD), (outside, {"Ripple": "20.5", "Gloss": "good"}), (half, {"Ripple": "1"})]
    entries = bench.test(told, passes=True, entered=moment(12), rack="R-1")
    assert [(entry.unit, entry.outcome, entry.rack) for entry in entries] == [
        (good, "passed", "R-1"), (outside, "failed", "R-1"), (half, "aborted", "R-1"),
    ]  # fmt: skip
    assert [find_due_step(unit) for unit in (good, outside, half)] == [None, bench.step, bench.step]
    bench.test([(outside, GOOD), (half, GOOD)], 60, passes=True, entered=moment(55))
    assert [one.attempt for one in list_readings([outside.key])] == [2, 2, 1, 1]


def test_a_unit_that_is_inside_is_scanned_out() -> None:
    bench = Bench()
    inside, outside, other = (bench.board() for _ in range(3))
    bench.into(inside)
    bench.into(outside, 11)
    told = [(inside, GOOD), (other, GOOD), (outside, {**GOOD, "Gloss": "not good"})]
    entries = bench.test(told, passes=True, entered=moment(12))
    assert [(entry.unit, entry.outcome, entry.inside) for entry in entries] == [
        (inside, "passed", False), (other, "passed", False), (outside, "failed", False),
    ]  # fmt: skip
    assert Pass.objects.filter(unit=inside, step=bench.step).count() == 1


def test_a_test_is_all_or_none() -> None:
    bench = Bench()
    board, fresh = bench.board(), bench.plant.boards(1)[0]
    arguments: dict[str, Any] = {"station": bench.plant.test, "passes": True, "entered": moment(12)}
    for results in (
        [],
        [UnitReadings(board, GOOD), UnitReadings(board, GOOD)],
        [UnitReadings(board, GOOD), UnitReadings(fresh, GOOD)],
        [UnitReadings(board, {"Ripple": "x"})],
        [UnitReadings(board, GOOD)] * 501,
    ):
        refused(bench.plant, "reading-refused", record_test, 20, results=results, **arguments)
    told = [UnitReadings(board, {"Ripple": "x"}), UnitReadings(bench.board(), {"Noise": "1"})]
    message = refused(bench.plant, "reading-refused", record_test, 20, results=told, **arguments).message
    assert f"{board.key}: Ripple" in message and f"{told[1].unit.key}: “Noise”" in message
    refused(bench.plant, "pass-refused", record_test, 20, **{**arguments, "entered": None}, results=told[:0] or [
        UnitReadings(board, GOOD)
    ])  # fmt: skip


# Putting right -------------------------------------------------------------------------------------------------------


def test_a_correction_supersedes_with_a_reason() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    ripple, gloss = bench.read(board, told={"Ripple": "125", "Gloss": "good"})
    right = bench.plant.do(void_reading, 17, reading=ripple, reason="a point was left out", instead="12.5")
    assert (right.value, right.good, right.happened, right.attempt) == (Decimal("12.5"), True, ticks(15), 2)
    ripple.refresh_from_db()
    assert ripple.superseded and ripple.value == 125
    assert json.loads(Event.objects.latest("id").payload)["arguments"]["reason"] == "a point was left out"
    assert list(list_readings([board.key])) == [right, gloss]
    void = bench.plant.do(void_reading, 18, reading=gloss, reason="it was another board")
    assert void.superseded and list(list_readings([board.key])) == [right]
    assert bench.kept_in(board) == ["reading-missing"]
    told: dict[str, Any] = {"reason": "x"}
    refused(bench.plant, "correction-refused", void_reading, reading=gloss, **told)
    refused(bench.plant, "correction-refused", void_reading, reading=right, reason=" ")
    refused(bench.plant, "reading-refused", void_reading, reading=right, instead="much", **told)
    operator = make_person("OP", roles=[Role.OPERATOR])
    refused(bench.plant, "not-permitted", void_reading, reading=right, by=operator, **told)


def test_no_correction_contradicts_a_visit_that_passed() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    ripple, _ = bench.read(board)
    entry = bench.out(board)
    told: dict[str, Any] = {"reading": ripple, "reason": "x"}
    refused(bench.plant, "reading-refused", void_reading, **told)
    refused(bench.plant, "reading-refused", void_reading, instead="99", **told)
    late = {"unit": board, "readings": {"Ripple": "99"}, "station": bench.plant.test}
    refused(bench.plant, "reading-refused", record_readings, 16, **late)
    assert bench.plant.do(void_reading, 30, instead="13", **told).value == 13
    assert bench.read(board, 16, {"Ripple": "14"})[0].happened == ticks(16)
    bench.plant.do(void_pass, 40, entry=entry, reason="the limit was misread")
    assert not bench.read(board, 16, {"Ripple": "99"})[0].good


# What it costs -------------------------------------------------------------------------------------------------------


def test_a_step_that_asks_nothing_costs_no_more() -> None:
    bench = Bench()
    (board,) = bench.plant.boards(1)
    with CaptureQueriesContext(connection) as queries:
        bench.plant.do(start_pass, 5, unit=board, station=bench.plant.insertion)
        bench.plant.do(finish_pass, 6, unit=board)
    assert not [query for query in queries if '"trace_reading"' in query["sql"]]


def test_in_and_out_with_readings_cost_at_most_fifteen_queries() -> None:
    bench = Bench()
    bench.tester()
    boards = [bench.board() for _ in range(2)]
    for n, board in enumerate(boards):
        minute = 30 + 20 * n
        bench.read(board, minute - 5)
        into = count(partial(bench.into, board, minute))
        recorded = count(partial(bench.read, board, minute + 1))
        out = count(partial(bench.out, board, minute + 2))
        assert into <= 15 and recorded <= 15
        assert out <= FINISH + 2 <= 15, "two for readings"


def test_a_rack_is_tested_in_as_many_queries_as_one_unit() -> None:
    bench = Bench()
    counts = []
    for number, minute in ((1, 30), (8, 60)):
        rack = [(bench.board(), GOOD) for _ in range(number)]
        counts.append(count(partial(bench.test, rack, minute, passes=True, entered=moment(minute - 5))))
    assert counts[0] == counts[1] <= 20
