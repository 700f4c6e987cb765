"""Equipment: calibrations, check pieces, programs, and whether it was fit at a moment."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

import pytest

from tests.factories import Plant, make_person, moment
from tests.refusals import refused
from trace.core.permissions import Role
from trace.engineering.calendar import WEEKDAYS
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, ProgramLoad
from trace.engineering.fitness import Fitness, judge_calibration, judge_fitness, list_wrong_calls
from trace.engineering.models import Site
from trace.engineering.operations import (
    RouteRow,
    ShiftRow,
    define_check_piece,
    define_equipment,
    define_part,
    define_program,
    load_program,
    move_equipment,
    record_calibration,
    record_check,
    retire_check_piece,
    retire_equipment,
    set_route,
    set_shifts,
)

pytestmark = pytest.mark.django_db

DAY = 24 * 60
KIND = "high-voltage tester"


def make_tester(plant: Plant, key: str = "HV-1", **more: Any) -> Equipment:
    return plant.do(define_equipment, key=key, name="Tester", kind=KIND, **{"station": plant.test, **more})


def make_piece(plant: Plant, key: str = "GOOD-1", good: bool = True, **more: Any) -> CheckPiece:
    return plant.do(define_check_piece, key=key, name="piece", good=good, **{"kind": KIND, **more})


def fitness(it: Equipment, minute: float) -> Fitness:
    return judge_fitness([it], moment(minute))[it.pk]


@pytest.mark.parametrize(
    ("needed", "last", "wrong"),
    [
        (False, None, ""),
        (True, None, "was never calibrated"),
        (True, (True, date(2026, 3, 2)), ""),  # good through its last day: common practice
        (True, (True, date(2026, 3, 1)), "was due for calibration after 2026-03-01"),
        (False, (True, date(2026, 3, 1)), "was due for calibration after 2026-03-01"),
        (False, (False, None), "failed its last calibration"),
    ],
)
def test_what_is_wrong_with_a_calibration(needed: bool, last: Any, wrong: str) -> None:
    assert judge_calibration(needed, last, date(2026, 3, 2)) == wrong


def test_a_calibration_holds_for_its_interval_and_a_failed_one_ends_it() -> None:
    plant = Plant()
    it = make_tester(plant, calibrate_every=10)
    assert fitness(it, 0).calibration == "was never calibrated"
    plant.do(record_calibration, 1, equipment=it, passed=True, certificate=" NL-26/0940 ")
    it.refresh_from_db()
    assert (it.calibrated, it.calibration_due) == (moment(1), date(2026, 3, 12))
    assert it.calibrations.get().certificate == "NL-26/0940"
    assert [bool(fitness(it, minute).calibration) for minute in (0, 1, 10 * DAY, 11 * DAY)] == [
        True,
        False,
        False,
        True,
    ]
    plant.do(record_calibration, 5 * DAY, equipment=it, passed=False)
    it.refresh_from_db()
    assert (it.calibrated, it.calibration_due) == (moment(5 * DAY), None)
    assert fitness(it, 6 * DAY).calibration == "failed its last calibration"
    assert not fitness(it, 4 * DAY).calibration  # as of then
    plant.do(record_calibration, 2, equipment=it, passed=True, due=date(2026, 3, 4))  # entered late
    it.refresh_from_db()
    assert it.calibrated == moment(5 * DAY) and fitness(it, 3 * DAY).calibration


def test_a_due_date_is_a_day_of_the_plant() -> None:
    plant = Plant()
    Site.objects.update(zone="Asia/Tokyo")
    it = make_tester(plant)
    plant.do(record_calibration, 1, equipment=it, passed=True, due=date(2026, 3, 2))
    last = datetime(2026, 3, 2, 14, 59, tzinfo=UTC)
    assert not judge_fitness([it], last)[it.pk].calibration
    assert judge_fitness([it], datetime(2026, 3, 2, 15, tzinfo=UTC))[it.pk].calibration


def test_it_is_fit_for_a_shift_once_each_of_its_pieces_was_run_right_in_it() -> None:
    plant = Plant()
    rows = [ShiftRow("Early", WEEKDAYS, time(6), time(14)), ShiftRow("Late", WEEKDAYS, time(14), time(22))]
    plant.do(set_shifts, rows=rows, since=date(2026, 3, 1))
    it, other = make_tester(plant), make_tester(plant, "HV-2")
    good, bad = make_piece(plant), make_piece(plant, "BAD-1", good=False)
    make_piece(plant, "OWN-2", kind="", equipment=other)
    assert fitness(it, 1).owed == ("BAD-1", "GOOD-1") and fitness(other, 1).owed == ("BAD-1", "GOOD-1", "OWN-2")
    plant.do(record_check, 5, equipment=it, piece=good, said_good=True)
    assert fitness(it, 6).owed == ("BAD-1",)
    assert plant.do(record_check, 7, equipment=it, piece=bad, said_good=True).right is False
    assert fitness(it, 8).owed == ("BAD-1",)
    assert plant.do(record_check, 9, equipment=it, piece=bad, said_good=False).right is True
    assert fitness(it, 10).fit and not fitness(other, 10).fit and not fitness(it, 4).fit
    plant.do(record_check, 20, equipment=it, piece=good, said_good=False)  # the last one counts
    assert fitness(it, 21).owed == ("GOOD-1",)
    plant.do(record_check, 22, equipment=it, piece=good, said_good=True)
    assert fitness(it, 479).fit and fitness(it, 480).owed == ("BAD-1", "GOOD-1")  # 14:00, the next shift
    plant.do(retire_check_piece, 485, piece=bad)
    assert fitness(it, 490).owed == ("GOOD-1",)
    plant.do(record_check, 17 * 60, equipment=it, piece=good, said_good=True)  # 23:00, outside of all shifts
    assert fitness(it, 17 * 60 + 1).fit and not fitness(it, 18 * 60).fit  # the plant's day ends


def test_a_wrong_call_counts_until_the_piece_is_called_right_whatever_the_shift() -> None:
    plant = Plant()
    it, other = make_tester(plant), make_tester(plant, "HV-2")
    good, bad = make_piece(plant), make_piece(plant, "BAD-1", good=False)

    def wrong(minute: float) -> list[tuple[str, datetime | None]]:
        calls = list_wrong_calls([it, other], moment(minute))
        assert not calls[other.pk]
        return [(call.check.piece.key, call.right_before) for call in calls[it.pk]]

    plant.do(record_check, 4, equipment=other, piece=good, said_good=True)
    for minute, piece, said in ((5, good, True), (6, bad, True), (7, good, True), (8, good, False), (8, bad, True)):
        plant.do(record_check, minute, equipment=it, piece=piece, said_good=said)
    assert [wrong(minute) for minute in (5, 6, 7)] == [[], [("BAD-1", None)], [("BAD-1", None)]]
    assert wrong(9) == wrong(3 * DAY) == [("BAD-1", None), ("GOOD-1", moment(7))]
    plant.do(record_check, 8, equipment=it, piece=good, said_good=True)  # at the same moment, and after it
    assert wrong(9) == [("BAD-1", None)]
    plant.do(retire_check_piece, 20, piece=bad)
    assert wrong(19) == [("BAD-1", None)] and not wrong(20)
    assert list_wrong_calls([], moment()) == {}


def test_the_program_on_it_is_the_last_loaded_also_where_that_is_entered_late() -> None:
    plant = Plant()
    it = make_tester(plant)
    first, second = (
        plant.do(define_program, key=f"P-{n}", kind=KIND, name="Board test", revision=str(n)) for n in (1, 2)
    )
    assert fitness(it, 1).program is None
    plant.do(load_program, 10, equipment=it, program=second)
    plant.do(load_program, 5, equipment=it, program=first)
    assert [fitness(it, minute).program for minute in (4, 5, 9, 10, 99)] == [None, first, first, second, second]


def test_what_equipment_and_its_records_can_not_be() -> None:
    plant = Plant()
    it = make_tester(plant)
    oven = plant.do(define_equipment, key="OVEN", name="Oven", kind="oven")
    good = make_piece(plant)
    program = plant.do(define_program, key="P-1", kind="oven", name="Bake", revision="1")
    plant.test.retired = moment()
    plant.test.save()
    named: dict[str, Any] = {"name": "x", "kind": "oven"}
    for operation, wrong in (
        (define_equipment, {"key": "E-1", **named, "kind": " "}),
        (define_equipment, {"key": "E-1", **named, "calibrate_every": 0}),
        (define_equipment, {"key": "E-1", **named, "calibrate_every": 40_000}),
        (define_equipment, {"key": "E-1", **named, "name": ""}),
        (define_equipment, {"key": "E-1", **named, "station": plant.test}),
        (move_equipment, {"equipment": oven, "station": plant.test}),
        (record_calibration, {"equipment": it, "passed": True}),
        (record_calibration, {"equipment": it, "passed": False, "due": date(2027, 1, 1)}),
        (record_calibration, {"equipment": it, "passed": True, "due": date(2026, 3, 1)}),
        (define_check_piece, {"key": "C-1", "name": "x", "good": True}),
        (define_check_piece, {"key": "C-1", "name": "x", "good": True, "kind": "oven", "equipment": oven}),
        (record_check, {"equipment": oven, "piece": good, "said_good": True}),
        (define_program, {"key": "P-2", "kind": "oven", "name": "Bake", "revision": "1"}),
        (define_program, {"key": "P-2", "kind": "oven", "name": "", "revision": "1"}),
        (load_program, {"equipment": it, "program": program}),
    ):
        refused(plant, "equipment-refused", operation, **wrong)
    refused(plant, "key-in-use", define_equipment, key="OVEN", **named)
    refused(plant, "not-permitted", record_calibration, equipment=it, passed=True, by=make_person(roles=[Role.HANDLER]))
    plant.do(move_equipment, equipment=it, station=None)
    plant.do(retire_equipment, 5, equipment=oven)
    plant.do(retire_check_piece, 5, piece=good)
    for operation, wrong in (
        (retire_equipment, {"equipment": oven}),
        (move_equipment, {"equipment": oven, "station": None}),
        (load_program, {"equipment": oven, "program": program}),
        (retire_check_piece, {"piece": good}),
        (record_check, {"equipment": it, "piece": good, "said_good": True}),
    ):
        refused(plant, "equipment-refused", operation, **wrong)
    assert not Calibration.objects.exists() and not ProgramLoad.objects.exists()


def test_a_route_names_equipment_and_its_program() -> None:
    plant = Plant()
    plant.do(define_program, key="P-1", kind=KIND, name="Board test", revision="1")
    part = plant.do(define_part, number="NEW", name="new", kind="assembly", level=1, serialised=True)
    for row in (
        RouteRow(10, "Test", ["TEST"], equipment=KIND, program="NONE"),
        RouteRow(10, "Test", ["TEST"], equipment="oven", program="P-1"),
        RouteRow(10, "Test", ["TEST"], program="P-1"),
        RouteRow(10, "Test", ["TEST"], equipment="x" * 41),
    ):
        refused(plant, "route-refused", set_route, part=part, rows=[row])
    (step,) = plant.do(set_route, part=part, rows=[RouteRow(10, "Test", ["TEST"], equipment=KIND, program="P-1")])
    assert (step.equipment_kind, step.program.key) == (KIND, "P-1")
