"""How a line stands, reckoned by hand on the tiny plant."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import time, timedelta
from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly, make_part, make_station, moment
from trace.core.errors import NotFound
from trace.engineering.models import Part, Station, Step
from trace.engineering.operations import ShiftRow, set_shifts
from trace.exchange.flow import describe_line
from trace.floor.models import Pass, Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import record_passes, start_pass
from trace.quality.lines import get_line
from trace.quality.queries import list_passes
from trace.quality.standing import AtStation, Standing, ask_line, list_below_limit

pytestmark = pytest.mark.django_db

MINUTE = timedelta(minutes=1)
TICKS = 60_000_000
FAILED, ABORTED = Pass.Outcome.FAILED, Pass.Outcome.ABORTED


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    plant.do(load_feed, feed=plant.slot_r, container=plant.reel("R"))
    plant.do(load_feed, feed=plant.slot_c, container=plant.reel("C", plant.capacitor))
    return plant


def ask(minute: float, product: str | None = "BOARD", area: str = "", **period: str) -> Standing:
    return ask_line(moment(minute), area, product, **period)


def at(standing: Standing, station: Station) -> AtStation:
    return next(one for one in standing.stations if one.station == station)


def shifts(plant: Plant, *hours: tuple[str, int, int]) -> None:
    rows = [ShiftRow(name, ["Monday", "Tuesday"], time(begins), time(ends)) for name, begins, ends in hours]
    plant.do(set_shifts, rows=rows, since=moment().date())


@pytest.fixture
def morning(plant: Plant) -> list[Unit]:
    """Six boards: two through, one that failed its test, one inserted at the second try, one inside, one not begun."""
    boards = plant.boards(6)
    for board, begins, ends in zip(boards, (1, 2, 3), (2, 3, 5), strict=False):
        plant.run(board, plant.insertion, begins, ends)
    plant.run(boards[3], plant.insertion, 5, 6, outcome=FAILED)
    plant.run(boards[3], plant.insertion, 7, 8)
    plant.do(start_pass, 9, unit=boards[4], station=plant.insertion)
    plant.run(boards[0], plant.test, 10, 14)
    plant.run(boards[1], plant.test, 14, 18)
    plant.run(boards[2], plant.test, 18, 22, outcome=FAILED)
    return boards


def test_what_is_inside_and_waits_and_for_how_long(plant: Plant, morning: Sequence[Unit]) -> None:
    insertion, test = ask(30).stations
    assert (insertion.inside, insertion.waiting, insertion.oldest) == (1, 0, 21 * TICKS)
    # What failed its test waits for it since minute 22, what was inserted at the second try since minute 8.
    assert (test.inside, test.waiting, test.oldest, test.middle) == (0, 2, 22 * TICKS, 8 * TICKS)


def test_yields_count_first_tries_alone(plant: Plant, morning: Sequence[Unit]) -> None:
    standing = ask(30)
    insertion, test = standing.stations
    assert (insertion.passed, insertion.not_passed, insertion.first_pass) == (4, 1, Fraction(3, 4))
    assert (test.passed, test.not_passed, test.first_pass) == (2, 1, Fraction(2, 3))
    (board,) = standing.parts
    assert (board.rolled, board.tried, board.steps) == (Fraction(1, 2), 2, 2)
    assert board.defects == Fraction(2_000_000, 8)


def test_pace_takt_and_the_slowest(plant: Plant, morning: Sequence[Unit]) -> None:
    standing = ask(30)
    insertion, test = standing.stations
    assert (insertion.cycle, test.cycle) == (MINUTE, 4 * MINUTE)
    assert (insertion.lately, test.lately) == (5, 3)
    assert insertion.pace == Fraction(5) / Fraction("6.5")  # of the day, which began at midnight
    assert insertion.takt == test.takt == timedelta(hours=4)  # a day for six
    assert (insertion.slowest, test.slowest) == (False, True)
    later = ask(75)
    assert (at(later, plant.insertion).lately, at(later, plant.test).lately) == (0, 2)  # since minute 15


def test_today_against_plan(plant: Plant, morning: Sequence[Unit]) -> None:
    standing = ask(30)
    (board,) = standing.parts
    assert (board.to_build, board.done, board.due, board.takt) == (6, 2, 1, timedelta(hours=4))
    assert standing.sentence == "BOARD is 1 ahead of plan: 2 done today, 1 due by now. TEST is the slowest: " \
        "240 s a unit against 14400 s."  # fmt: skip
    late = ask(17 * 60)
    assert late.sentence.startswith("BOARD is 3 behind plan: 2 done today, 5 due by now.")
    assert ask(24 * 60, period="yesterday").parts[0].due == 6


def test_what_is_done_later_was_still_to_be_built(plant: Plant, morning: Sequence[Unit]) -> None:
    plant.run(morning[3], plant.test, 24 * 60, 24 * 60 + 4)
    (board,) = ask(24 * 60 + 30, period="yesterday").parts
    assert (board.to_build, board.done) == (6, 2)
    (board,) = ask(24 * 60 + 30).parts
    assert (board.to_build, board.done) == (4, 1)


def test_lead_times(plant: Plant, morning: Sequence[Unit]) -> None:
    standing = ask(30)
    assert standing.in_process == 3
    assert standing.expected_lead == timedelta(hours=6.5) * 3 / 2  # three in process, two done in six and a half hours
    assert standing.measured_lead == timedelta(minutes=14.5)  # from minute 1 to 14, from 2 to 18


def test_only_the_time_of_shifts_counts(plant: Plant, morning: Sequence[Unit]) -> None:
    shifts(plant, ("Early", 6, 12), ("Night", 22, 4))
    standing = ask(30)
    assert (standing.worked, standing.available) == (30 * MINUTE, timedelta(hours=8))  # 22 to midnight belongs to it
    assert standing.parts[0].takt == timedelta(minutes=80)
    shift = ask(30, period="shift")
    assert (shift.period.words, shift.worked, shift.parts[0].takt) == ("in shift Early", 30 * MINUTE, 80 * MINUTE)
    night = ask(19 * 60, period="shift")  # one in the morning
    assert (night.period.words, night.worked) == ("in shift Night", timedelta(hours=3))
    assert [one.passed for one in night.stations] == [0, 0]


def test_units_of_a_rack_share_the_time_of_the_station(plant: Plant) -> None:
    boards = plant.boards(4)
    plant.do(record_passes, 20, units=boards, station=plant.insertion, entered=moment(0), rack="RACK-1")
    insertion, _ = ask(30).stations
    assert (insertion.cycle, insertion.passed) == (5 * MINUTE, 4)


def test_without_a_scan_in_the_scan_before_tells_when_work_began(plant: Plant) -> None:
    Station.objects.filter(pk=plant.test.pk).update(scan_mode="loose")
    boards = plant.boards(4)
    plant.do(record_passes, 10, units=boards, station=plant.insertion, entered=moment(0))
    for board, minute in zip(boards, (13, 16, 30), strict=False):
        plant.do(record_passes, minute, units=[board], station=Station.objects.get(key="TEST"))
    # From its own scan before, at minute 10, to 13; from the scan before there to 16; to 30.
    assert at(ask(40), plant.test).cycle == 3 * MINUTE
    shifts(plant, ("Early", 6, 12), ("Late", 13, 20))
    plant.do(record_passes, 430, units=boards[3:], station=Station.objects.get(key="TEST"))
    Pass.objects.filter(station=plant.test).exclude(unit=boards[3]).update(superseded=1)
    # What was scanned before the late shift began may have lain there.
    assert at(ask(440), plant.test).cycle is None


def test_what_is_void_does_not_count(plant: Plant, morning: Sequence[Unit]) -> None:
    failed = Pass.objects.get(unit=morning[3], outcome=FAILED)
    plant.do(void_pass, 25, entry=failed, reason="the wrong board was scanned")
    insertion, _ = ask(30).stations
    assert (insertion.passed, insertion.not_passed, insertion.first_pass) == (4, 0, 1)


def test_an_aborted_try_counts_against_the_first_pass(plant: Plant) -> None:
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2, outcome=ABORTED)
    plant.run(board, plant.insertion, 3, 4)
    insertion, _ = ask(30).stations
    assert (insertion.passed, insertion.not_passed, insertion.first_pass) == (1, 1, 0)


def test_a_first_try_before_the_period_is_none_in_it(plant: Plant) -> None:
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2, outcome=FAILED)
    plant.run(board, plant.insertion, 24 * 60, 24 * 60 + 1)
    insertion, _ = ask(24 * 60 + 5).stations
    assert (insertion.passed, insertion.first_pass) == (1, None)


def test_what_left_the_floor_is_nowhere_on_the_line(plant: Plant, morning: Sequence[Unit]) -> None:
    plant.do(scrap_unit, 40, unit=morning[2], reason="cracked")
    plant.run(morning[3], plant.test, 45, 46)
    standing = ask(60)
    assert {unit.key for unit in standing.units} == {morning[4].key, morning[5].key}
    assert standing.parts[0].to_build == 5  # nobody builds what was scrapped; another is ordered in its place


def route(plant: Plant, *stations: str, **steps: dict[int, str]) -> tuple[Part, dict[str, Station]]:
    """A part whose steps are at these stations, some of them free or alternative."""
    places = {key: make_station(key, area=key[:1].lower()) for key in stations}
    part = make_assembly("THING", places={"M1": make_part("M")}, route={
        number: [place] for number, place in zip(range(10, 100, 10), places.values(), strict=False)
    })  # fmt: skip
    for kind, groups in steps.items():
        for number, name in groups.items():
            Step.objects.filter(part=part, number=number).update(**{kind: name})
    return part, places


def test_of_last_steps_in_any_order_the_one_that_was_left_makes_it_done(plant: Plant) -> None:
    part, at = route(plant, "A1", "A2", "A3", free_order={20: "F", 30: "F"})
    one, other = plant.units(part, 2)
    plant.run(one, at["A1"], 1, 2)
    plant.run(one, at["A3"], 3, 4)
    assert ask(5, "THING").parts[0].done == 0
    assert [at.waiting for at in ask(5, "THING").stations] == [0, 1, 0]
    plant.run(one, at["A2"], 5, 6)
    assert (ask(7, "THING").parts[0].done, ask(7, "THING").measured_lead) == (1, 5 * MINUTE)
    plant.run(other, at["A1"], 8, 9)
    assert [at.waiting for at in ask(10, "THING").stations] == [0, 1, 1]


def test_alternatives_are_one_step_of_the_line(plant: Plant) -> None:
    part, at = route(plant, "A1", "A2", "A3", alternative={20: "G", 30: "G"})
    units = plant.units(part, 4)
    for minute, (unit, station) in enumerate(zip(units, ("A2", "A3", "A3", "A3"), strict=True)):
        plant.run(unit, at["A1"], minute, minute + 0.5)
        plant.run(unit, at[station], 10 + minute, 10.5 + minute, outcome=FAILED if minute == 3 else "passed")
    (thing,) = ask(20, "THING").parts
    assert (thing.done, thing.rolled, thing.steps) == (3, Fraction(3, 4), 2)
    assert [one.takt for one in ask(20, "THING").stations] == [timedelta(hours=6), timedelta(hours=12)] + [
        timedelta(hours=12)
    ]


def test_the_line_of_an_area_ends_where_units_leave_it(plant: Plant) -> None:
    part, at = route(plant, "A1", "B1", "A2", "C1")
    units = plant.units(part, 4)
    for unit, far in zip(units, (4, 2, 1, 0), strict=True):
        for n, station in enumerate(list(at.values())[:far]):
            plant.run(unit, station, 1 + n * 4, 2 + n * 4)
    standing = ask(30, product=None, area="a")
    assert standing.line.name == "the a line"
    (thing,) = standing.parts
    assert (thing.done, thing.to_build) == (1, 4)
    assert {unit.key: unit.state for unit in standing.units} == {
        units[1].key: "waiting",
        units[2].key: "at other stations",
        units[3].key: "still to come",
    }
    assert standing.in_process == 2 and [one.station.key for one in standing.stations] == ["A1", "A2"]
    assert standing.measured_lead == 9 * MINUTE  # from minute 1 to the end of A2


def test_the_last_day_is_that_on_which_work_ended(plant: Plant) -> None:
    """Begun before midnight and done after it: that day is today."""
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 17 * 60 + 50, 18 * 60 + 10)
    assert ask(20 * 60).period.words == "today" and at(ask(20 * 60), plant.insertion).passed == 1
    assert ask(60 * 60).period.words == "on 3 March 2026, the last day on which anything passed"


def test_without_a_choice_it_is_the_line_of_what_stands_highest(plant: Plant) -> None:
    assert ask_line(moment(1)).line.name == "PRODUCT"
    assert ask(1, "").line.name == "the plant"
    assert [station.key for station in ask(1, "").line.stations] == ["FINAL", "INSERT", "TEST"]
    assert ask(1, "").sentence == "The plant: 0 done today; no order was due. No station’s pace is known."


@pytest.mark.parametrize(("area", "product"), [("nowhere", ""), ("", "NONE"), ("", "RES")])
def test_what_is_no_line_is_refused(plant: Plant, area: str, product: str) -> None:
    with pytest.raises(NotFound):
        get_line(area, product)


def test_the_passes_are_those_that_were_counted(plant: Plant, morning: Sequence[Unit]) -> None:
    standing = ask(30)
    rows = list(list_passes(standing.line, standing.period))
    for one in standing.stations:
        here = [row for row in rows if row.station == one.station]
        assert sum(row.right == "yes" for row in here) == one.passed
        assert sum(row.right == "no" for row in here) == one.not_passed
        first = [row.right for row in here if row.first_try == "yes"]
        assert one.first_pass == Fraction(first.count("yes"), len(first))


def test_a_yield_below_its_limit_is_found(plant: Plant, morning: Sequence[Unit]) -> None:
    assert list_below_limit(moment(30)) == []
    Station.objects.filter(pk=plant.insertion.pk).update(yield_limit=75)  # three of four: on its limit
    Station.objects.filter(pk=plant.test.pk).update(yield_limit="66.67")
    assert list_below_limit(moment(30)) == [(plant.test, Fraction(2, 3))]
    assert list_below_limit(moment(8 * 24 * 60)) == []


def test_the_number_of_statements_does_not_grow_with_that_of_the_stations(plant: Plant) -> None:
    def count(product: str) -> int:
        with CaptureQueriesContext(connection) as queries:
            describe_line(ask(30, product))
        return len(queries)

    part, _ = route(plant, "A1", "B1", "A2", "C1", "C2")
    plant.units(part, 3)
    assert count("THING") == count("PRODUCT") <= 12
