"""Steps that need equipment: a unit passes only with what is fit, as of its scan."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import deviation
from tests.factories import Plant, moment
from tests.refusals import refused
from trace.engineering.equipment import Equipment
from trace.engineering.models import ScanMode, Step
from trace.engineering.operations import (
    define_check_piece,
    define_equipment,
    define_program,
    load_program,
    move_equipment,
    record_calibration,
    record_check,
    retire_equipment,
)
from trace.floor.models import Pass, Unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

KIND = "high-voltage tester"


class Bench:
    """The tiny plant whose boards are tested with a high-voltage tester, which stands there, calibrated."""

    def __init__(self, **mode: Any) -> None:
        self.plant = plant = Plant(**mode)
        Step.objects.filter(part=plant.board, number=20).update(equipment_kind=KIND)
        self.tester = self.define("HV-1")
        plant.do(record_calibration, 1, equipment=self.tester, passed=True, due=date(2026, 3, 10))

    def define(self, key: str, **more: Any) -> Equipment:
        told = {"name": "Tester", "kind": KIND, "station": self.plant.test, "calibrate_every": 30, **more}
        return self.plant.do(define_equipment, key=key, **told)

    def board(self, minute: float = 2) -> Unit:
        """One that is due at the test."""
        (board,) = self.plant.boards(1, minute=minute)
        self.plant.run(board, self.plant.insertion, minute, minute + 1)
        return board

    def stopped(self, unit: Unit, minute: float = 10, **more: Any) -> list[str]:
        refusal = refused(self.plant, "stopped", start_pass, minute, unit=unit, station=self.plant.test, **more)
        assert all(message and action for _, message, action in refusal.extra["refusals"])
        return [code for code, _, _ in refusal.extra["refusals"]]

    def test(self, unit: Unit, minute: float = 10, **more: Any) -> Pass:
        return self.plant.do(start_pass, minute, unit=unit, station=self.plant.test, **more)


def test_the_one_that_stands_there_does_the_step_and_the_pass_says_so() -> None:
    bench = Bench()
    bench.define("OVEN-1", kind="oven")
    assert bench.test(bench.board()).equipment == bench.tester
    assert bench.plant.run(bench.board(20), bench.plant.test, 25, 26).equipment == bench.tester


def test_of_several_the_operator_says_which_and_it_must_be_of_the_kind_and_stand_there() -> None:
    bench = Bench()
    board, second = bench.board(), bench.define("HV-2")
    assert bench.stopped(board) == ["equipment-unknown"]
    assert bench.stopped(board, equipment=second) == ["calibration-due"]
    assert bench.stopped(board, equipment=bench.define("OVEN-1", kind="oven")) == ["equipment-unknown"]
    assert bench.stopped(board, equipment=bench.define("HV-3", station=bench.plant.final)) == ["equipment-unknown"]
    entry = bench.test(board, equipment=bench.tester)
    assert entry.equipment == bench.tester
    assert Event.objects.latest("id").subjects.filter(kind="equipment", key="HV-1").exists()
    bench.plant.do(finish_pass, 11, unit=board)
    bench.plant.do(retire_equipment, 12, equipment=second)
    later = bench.board(13)
    assert bench.stopped(later, 15, equipment=second) == ["equipment-unknown"]
    assert bench.test(later, 15).equipment == bench.tester


def test_where_none_stands_the_step_is_not_done() -> None:
    bench = Bench()
    bench.plant.do(move_equipment, equipment=bench.tester, station=None)
    assert bench.stopped(bench.board()) == ["equipment-unknown"]


def test_past_its_calibration_it_stops_units_as_of_their_scan() -> None:
    bench = Bench()
    day = 24 * 60
    late, later = bench.board(), bench.board(6)
    bench.plant.do(record_calibration, 20 * day, equipment=bench.tester, passed=True)
    assert bench.stopped(late, 9 * day) == ["calibration-due"]
    bench.test(late, 8 * day)
    bench.plant.do(record_calibration, 21 * day, equipment=bench.tester, passed=False)
    assert bench.stopped(later, 22 * day) == ["calibration-due"]


def test_a_check_piece_that_is_owed_stops_units_until_it_is_run_right() -> None:
    bench = Bench()
    told = {"name": "known bad", "kind": KIND, "good": False}
    piece, board = bench.plant.do(define_check_piece, key="BAD-1", **told), bench.board()
    assert bench.stopped(board) == ["check-piece-owed"]
    bench.plant.do(record_check, 8, equipment=bench.tester, piece=piece, said_good=True)
    assert bench.stopped(board) == ["check-piece-owed"]
    bench.plant.do(record_check, 9, equipment=bench.tester, piece=piece, said_good=False)
    bench.test(board)


def test_another_program_than_the_step_needs_stops_units() -> None:
    bench = Bench()
    old, new = (bench.plant.do(define_program, key=f"P-{n}", kind=KIND, name="x", revision=str(n)) for n in (1, 2))
    Step.objects.filter(part=bench.plant.board, number=20).update(program=new)
    board = bench.board()
    assert bench.stopped(board) == ["program-wrong"]
    bench.plant.do(load_program, 5, equipment=bench.tester, program=old)
    refusal = refused(bench.plant, "stopped", start_pass, 10, unit=board, station=bench.plant.test)
    assert "HV-1 has P-1, and step 20 needs P-2." in refusal.message
    bench.plant.do(load_program, 9, equipment=bench.tester, program=new)
    assert bench.stopped(board, 8) == ["program-wrong"]
    bench.test(board)


def test_after_the_work_the_unit_has_not_passed_and_its_draws_stand() -> None:
    bench = Bench(mode=ScanMode.ONE_AT_A_TIME)
    plant = bench.plant
    Step.objects.filter(part=plant.board, number=10).update(equipment_kind="inserter")
    (board,) = plant.boards(1)
    (entry,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    assert (entry.outcome, entry.drew, entry.equipment) == ("aborted", "all", None)
    assert [refusal.extra["rule"] for refusal in entry.stopped] == ["equipment-unknown"]


def test_a_deviation_lets_by_on_this_equipment() -> None:
    bench = Bench()
    board, second = bench.board(), bench.define("HV-2")
    deviation(bench.plant, rules=["calibration-due"], scope=["equipment:HV-2", "part:BOARD"], most=1)
    assert bench.test(board, equipment=second).equipment == second
    told = json.loads(Event.objects.latest("id").payload)["facts"]["deviated"]
    assert told == {board.key: [["calibration-due", "DEV-1", "HV-2 was never calibrated."]]}


def test_where_no_step_needs_equipment_nothing_is_asked_of_it() -> None:
    bench = Bench()
    (board,) = bench.plant.boards(1)
    with CaptureQueriesContext(connection) as queries:
        bench.plant.do(start_pass, 5, unit=board, station=bench.plant.insertion)
    tables = ("trace_equipment", "trace_calibration", "trace_piececheck", "trace_programload", "trace_shift")
    assert not [query for query in queries if any(f'"{table}"' in query["sql"] for table in tables)]


def test_a_rack_asks_as_often_as_one_unit() -> None:
    bench = Bench()
    counts = []
    for number, minute in ((1, 10), (5, 40)):
        rack = [bench.board(minute + n) for n in range(number)]
        with CaptureQueriesContext(connection) as queries:
            told = {"units": rack, "station": bench.plant.test, "entered": moment(minute + 10)}
            bench.plant.do(record_passes, minute + 12, **told)
        counts.append(len(queries))
    assert counts[0] == counts[1]
