"""Whether a unit passes by its readings, with what they were made, how often it may fail."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal

import pytest

from tests.approvals.signing import deviation
from tests.factories import moment
from tests.floor.measuring import GOOD, STEP, Bench
from tests.refusals import refused
from trace.engineering.models import ScanMode, Step
from trace.engineering.operations import define_check_piece, record_calibration
from trace.floor.models import Pass, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.queries import find_due_step
from trace.floor.readings import list_asked, list_readings
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


# Whether a unit passes -----------------------------------------------------------------------------------------------


def test_a_unit_passes_once_all_that_is_asked_was_read_and_is_good() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    assert bench.kept_in(board) == ["reading-missing"]
    bench.read(board, 12, {"Ripple": "25"})
    assert bench.kept_in(board) == ["reading-missing", "reading-outside"]
    bench.read(board, 13, {"Gloss": "not good"})
    refusal = refused(bench.plant, "stopped", finish_pass, 20, unit=board)
    assert refusal.message == (
        f"Stop. {board.key}: Ripple is 25 mV, and must be 20 mV or less; Gloss was judged not good."
    )
    bench.read(board, 14)
    assert [(one.attempt, one.good) for one in list_readings([board.key])] == [
        (2, True),
        (2, True),
        (1, False),
        (1, False),
    ]
    assert bench.out(board).outcome == "passed"


def test_failed_and_aborted_need_no_reading() -> None:
    bench = Bench()
    for outcome in ("failed", "aborted"):
        board = bench.board()
        bench.into(board)
        assert bench.out(board, outcome=outcome).outcome == outcome


def test_readings_of_an_earlier_visit_do_not_count() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    bench.read(board)
    bench.out(board, outcome="failed")
    bench.into(board, 30)
    assert bench.kept_in(board, 40) == ["reading-missing"]
    assert [one.reading for one in list_asked(board, bench.step)] == [None, None]
    bench.read(board, 35)
    assert bench.out(board, 40).outcome == "passed"


def test_readings_before_the_scan_in_are_not_of_the_visit() -> None:
    bench = Bench()
    board = bench.board()
    bench.read(board, 8)
    bench.into(board)
    assert bench.kept_in(board) == ["reading-missing"]


def test_what_is_asked_shows_the_last_reading_and_whether_it_lets_the_unit_pass() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    bench.read(board, 12, {"Ripple": "25"})
    ripple, gloss = list_asked(board, bench.step)
    assert (ripple.must, ripple.good, gloss.must, gloss.good) == ("20 mV or less", False, "good, says inspector", None)
    bench.read(board, 13, {"Ripple": "15"})
    ripple, _ = list_asked(board, bench.step)
    assert ripple.reading and (ripple.reading.value, ripple.good) == (Decimal(15), True)


def test_a_step_at_which_samples_are_tested_demands_nothing_but_what_is_read_must_be_good() -> None:
    bench = Bench(sample_every=5)
    left, read = bench.board(), bench.board()
    bench.into(left)
    assert bench.out(left).outcome == "passed"
    bench.into(read, 22)
    bench.read(read, 23, {"Ripple": "21"})
    assert bench.kept_in(read, 24) == ["reading-outside"]


def test_after_the_work_a_rack_goes_on_unit_by_unit() -> None:
    bench = Bench()
    good, outside, unread = (bench.board() for _ in range(3))
    bench.read(good, 15)
    bench.read(outside, 15, {"Ripple": "30", "Gloss": "good"})
    told = {"units": [good, outside, unread], "station": bench.plant.test, "entered": moment(10)}
    entries = bench.plant.do(record_passes, 20, **told)
    assert [entry.outcome for entry in entries] == ["passed", "failed", "aborted"]
    assert [[one.extra["rule"] for one in entry.stopped] for entry in entries] == [
        [], ["reading-outside"], ["reading-missing"],
    ]  # fmt: skip
    assert [find_due_step(unit) for unit in (good, outside, unread)] == [None, bench.step, bench.step]
    failed = bench.plant.do(
        record_passes, 40, **{**told, "units": [unread], "entered": moment(30), "outcome": "failed"}
    )
    assert [(entry.outcome, entry.stopped) for entry in failed] == [("failed", ())]


def test_what_an_unread_unit_drew_stands() -> None:
    bench = Bench()
    plant = bench.plant
    bench.ask(3, "Height", 10, unit_of_measure="mm", upper=Decimal(2))
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel())
    (board,) = plant.boards(1)
    (entry,) = plant.do(record_passes, 10, units=[board], station=plant.insertion, entered=moment(5))
    assert (entry.outcome, entry.drew, [one.extra["rule"] for one in entry.stopped]) == (
        "aborted", "all", ["reading-missing"],
    )  # fmt: skip


def test_at_a_loose_station_what_the_readings_stop_was_drawn_surely() -> None:
    bench = Bench()
    plant = bench.plant
    plant.insertion.scan_mode = ScanMode.LOOSE
    plant.insertion.save()
    bench.ask(3, "Height", 10, unit_of_measure="mm", upper=Decimal(2))
    (board,) = plant.boards(1)
    (entry,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    assert (entry.outcome, entry.drew) == ("aborted", "all")


def test_where_the_next_scan_lets_a_unit_out_it_has_not_passed_without_readings() -> None:
    bench = Bench(ScanMode.ONE_AT_A_TIME)
    unread, outside, good, last = (bench.board(2) for _ in range(4))
    for minute, board, told in ((10, unread, None), (20, outside, {**GOOD, "Ripple": "99"}), (30, good, GOOD)):
        bench.into(board, minute)
        if told:
            bench.read(board, minute + 5, told)
    bench.into(last, 40)
    outcomes = [Pass.objects.get(unit=unit, step=bench.step).outcome for unit in (unread, outside, good)]
    assert outcomes == ["aborted", "failed", "passed"]


def test_a_deviation_lets_by_what_was_not_read_or_is_outside() -> None:
    bench = Bench()
    board, other = bench.board(), bench.board()
    rules = ["reading-missing", "reading-outside"]
    it = deviation(bench.plant, rules=rules, scope=["part:BOARD", f"step:{STEP}"], most=1)
    bench.into(board)
    bench.read(board, told={"Ripple": "21"})
    assert bench.out(board).outcome == "passed"
    told = json.loads(Event.objects.latest("id").payload)["facts"]["deviated"][board.key]
    assert [(rule, key) for rule, key, _ in told] == [(rule, "DEV-1") for rule in rules]
    it.refresh_from_db()
    assert it.used == 1
    bench.into(other, 22)
    assert bench.kept_in(other, 23) == ["reading-missing"]


def test_a_deviation_that_covers_only_some_of_it_is_not_used() -> None:
    bench = Bench()
    board = bench.board()
    it = deviation(bench.plant, rules=["reading-missing"], scope=["part:BOARD"])
    bench.into(board)
    bench.read(board, told={"Ripple": "21"})
    assert bench.kept_in(board) == ["reading-missing", "reading-outside"]
    it.refresh_from_db()
    assert it.used == 0


def test_a_hold_still_keeps_a_unit_in_whatever_it_comes_to() -> None:
    bench = Bench()
    board = bench.board()
    bench.into(board)
    bench.read(board)
    bench.plant.do(place_holds, 16, targets=[board], reason="x")
    assert bench.kept_in(board) == bench.kept_in(board, outcome="failed") == ["held"]


# What it is measured with --------------------------------------------------------------------------------------------


def test_what_was_read_with_equipment_that_is_not_fit_is_kept_and_lets_nothing_pass() -> None:
    bench = Bench()
    board, tester = bench.board(), bench.tester()
    bench.into(board)
    bench.plant.do(record_calibration, 12, equipment=tester, passed=False)
    readings = bench.read(board)
    assert {(one.good, one.equipment, one.unfit) for one in readings} == {
        (True, tester, "HV-1 failed its last calibration")
    }
    assert bench.kept_in(board) == ["reading-unfit"]
    assert list_asked(board, bench.step)[0].good is False
    bench.plant.do(record_calibration, 16, equipment=tester, passed=True, due=date(2026, 3, 10))
    bench.read(board, 17)
    assert bench.out(board).outcome == "passed"


def test_a_check_piece_that_is_owed_makes_readings_doubtful() -> None:
    bench = Bench()
    board, _ = bench.board(), bench.tester()
    bench.into(board)
    bench.plant.do(define_check_piece, 11, key="BAD-1", name="known bad", kind="tester", good=False)
    readings = bench.read(board)
    assert {one.unfit for one in readings} == {"HV-1 has not told BAD-1 right in this shift"}
    refusal = refused(bench.plant, "stopped", finish_pass, 20, unit=board)
    says = [message for rule, message, _ in refusal.extra["refusals"] if rule == "reading-unfit"]
    once = "Ripple, Gloss do not count: HV-1 has not told BAD-1 right in this shift"
    assert says == [f"Stop. {board.key}: {once}."]  # one reason is told once


def test_which_of_several_it_was_must_be_said() -> None:
    bench = Bench()
    board, tester, _ = bench.board(), bench.tester(), bench.tester("HV-2")
    bench.into(board, equipment=tester)
    (unknown,) = bench.read(board, 14, {"Ripple": "1"})
    assert unknown.equipment is None and unknown.unfit.endswith("2 stand here: HV-1, HV-2")
    (known,) = bench.read(board, 15, {"Ripple": "1"}, equipment=tester)
    assert (known.equipment, known.unfit) == (tester, "")


def test_where_the_step_needs_nothing_what_is_named_is_judged_too() -> None:
    bench = Bench()
    board, gauge = bench.board(), bench.tester("OLD", calibrated=False)
    Step.objects.filter(pk=bench.step.pk).update(equipment_kind="")
    (named,) = bench.read(board, told={"Ripple": "1"}, equipment=gauge)
    assert (named.equipment, named.unfit) == (gauge, "OLD was never calibrated")


def test_a_deviation_lets_by_what_was_read_with_this_equipment() -> None:
    bench = Bench()
    board, tester = bench.board(), bench.tester()
    deviation(bench.plant, rules=["reading-unfit"], scope=[f"equipment:{tester.key}", "part:BOARD"])
    bench.into(board)
    bench.plant.do(record_calibration, 12, equipment=tester, passed=False)
    bench.read(board)
    assert bench.out(board).outcome == "passed"


# How often it may fail -----------------------------------------------------------------------------------------------


def fail(bench: Bench, board: Unit, minute: float) -> Pass:
    bench.into(board, minute)
    return bench.out(board, minute + 1, outcome="failed")


def test_a_unit_that_failed_as_often_as_the_step_allows_is_not_tried_again() -> None:
    bench = Bench(attempts=2)
    board = bench.board()
    fail(bench, board, 10)
    last = fail(bench, board, 20)
    refusal = refused(bench.plant, "stopped", start_pass, 30, unit=board, station=bench.plant.test)
    assert [code for code, _, _ in refusal.extra["refusals"]] == ["repair-limit"]
    assert refusal.message == f"Stop. {board.key} failed step 20, Step 20, 2 times; it allows 2."
    bench.read(board, 35)
    (entry,) = bench.plant.do(record_passes, 40, units=[board], station=bench.plant.test, entered=moment(30))
    assert (entry.outcome, entry.stopped[0].extra["rule"]) == ("aborted", "repair-limit")
    bench.plant.do(void_pass, 50, entry=last, reason="the wrong traveller was scanned")
    bench.into(board, 60)


def test_a_deviation_permits_another_attempt_and_without_a_limit_there_are_any_number() -> None:
    bench = Bench(attempts=1)
    board = bench.board()
    fail(bench, board, 10)
    deviation(bench.plant, rules=["repair-limit"], scope=[f"unit:{board.key}"], most=1)
    fail(bench, board, 20)
    Step.objects.filter(pk=bench.step.pk).update(attempts=None)
    for minute in (30, 40, 50):
        fail(bench, board, minute)
