"""Moments from paper or another clock: each known within its error; lines of one sheet in their order."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest

from tests.factories import Plant, candidates_at, moment, spans_of, ticks
from tests.genealogy.asking import ask
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode
from trace.floor.models import Fitting, Pass, Salvage
from trace.floor.operations.feeds import clear_feed, find_on_feed, load_feed, take_off_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.material.models import Axis, Container, Derivation, FeedRecord

pytestmark = pytest.mark.django_db

FIVE = timedelta(minutes=5)


def line(plant: Plant, minute: float, unit, sheet: str = "S", error: timedelta = FIVE) -> Pass:
    arguments = {"units": [unit], "station": plant.insertion, "entered": moment(minute - 0.5)}
    (entry,) = plant.do(record_passes, minute, **arguments, error=error, sheet=sheet)
    return entry


def test_a_change_starts_the_new_early_and_ends_the_old_late() -> None:
    plant = Plant()
    plant.do(load_feed, 10, feed=plant.slot_r, container=plant.reel("A"))
    plant.do(load_feed, 30, feed=plant.slot_r, container=plant.reel("B"), error=FIVE)
    assert spans_of(plant.slot_r)[1:] == [(ticks(10), ticks(35), "A"), (ticks(25), OPEN, "B")]


def test_a_pass_reaches_as_far_as_its_error() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(start_pass, 10, unit=board, station=plant.insertion, error=FIVE)
    entry = plant.do(finish_pass, 20, unit=board, error=timedelta(minutes=2))
    assert (entry.first, entry.last, entry.began, entry.ended) == (ticks(5), ticks(22), ticks(5), ticks(22))
    assert entry.error == ticks(5) - ticks(0)


def test_a_scan_bounds_only_what_surely_came_before_it() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    (entry,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    plant.do(start_pass, 12, unit=board, station=plant.test, error=FIVE)
    assert Pass.objects.get(pk=entry.pk).ended == OPEN, "it may have been tested first"
    plant.do(finish_pass, 20, unit=board, error=FIVE)
    again = Pass.objects.get(pk=entry.pk)
    assert (again.ended, again.last) == (OPEN, OPEN)


def test_a_less_exact_bound_gives_way_to_a_better_one() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    (entry,) = plant.do(record_passes, 10, units=[board], station=plant.insertion)
    plant.do(start_pass, 16, unit=board, station=plant.test, error=FIVE)
    assert Pass.objects.get(pk=entry.pk).ended == ticks(21)
    plant.do(finish_pass, 18, unit=board)
    plant.do(remove_part, 19, unit=board, designator="R1", reason="x")
    assert Pass.objects.get(pk=entry.pk).ended == ticks(21), "removing a part is no scan at a station"


@pytest.mark.parametrize("error", [timedelta(minutes=-1), timedelta(days=400)])
def test_an_error_that_can_not_be_is_refused(error: timedelta) -> None:
    plant = Plant()
    refused(plant, "bad-error", load_feed, 5, feed=plant.slot_r, container=plant.reel("A"), error=error)
    (board,) = plant.boards()
    refused(plant, "bad-error", start_pass, 5, unit=board, station=plant.insertion, error=error)


def test_what_comes_off_at_an_uncertain_time_is_derived_around_it() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"))
    plant.do(take_off_feed, 20, feed=plant.slot_r, label="REST", error=FIVE)
    derivation = Derivation.objects.get()
    assert (derivation.at, derivation.error) == (ticks(20), ticks(5) - ticks(0))


def test_a_part_fitted_at_an_uncertain_time() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"))
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 10, 11)
    first = plant.do(fit_part, 13, unit=board, designator="R1", container=plant.reel("B"), reason="x", error=FIVE)
    assert (first.since, first.error) == (ticks(13), ticks(5) - ticks(0))
    assert ask("B") == (set(), {board.key}, set()), "the board may have been filled after it"
    plant.do(remove_part, 30, unit=board, designator="R1", reason="x", salvage="KEPT", error=FIVE)
    assert Fitting.objects.get(pk=first.pk).until == ticks(35)
    assert Salvage.objects.get().error == ticks(5) - ticks(0)
    other = plant.boards()[0]
    plant.run(other, plant.insertion, 50, 51)
    plant.do(fit_part, 55, unit=other, designator="R2", container=Container.objects.get(key="KEPT"), reason="x")
    assert other.key in ask("B")[1]


# Sheets --------------------------------------------------------------------------------------------------------------


def test_lines_of_a_sheet_are_in_their_order() -> None:
    plant = Plant()
    first, second = plant.boards(2)
    plant.do(load_feed, 100, feed=plant.slot_r, container=plant.reel("A"), error=FIVE, sheet="S")
    line(plant, 102, first)
    plant.do(load_feed, 103, feed=plant.slot_r, container=plant.reel("B"), error=FIVE, sheet="S")
    entry = line(plant, 103, second)
    assert ask("A") == ({first.key}, set(), set())
    assert ask("B") == ({second.key}, set(), set())
    assert (entry.began, entry.ended) == (ticks(97.5), entry.scanned_out + ticks(5) - ticks(0))
    assert Axis.objects.get(station=plant.insertion).slack >= ticks(5) - ticks(0)


def test_what_a_line_finds_on_a_feed_leaves_the_next_line_its_place() -> None:
    """That the reel before had left by then is told by the line, and stands beside it: it is nothing off the sheet."""
    plant = Plant()
    (board,) = plant.boards()
    plant.do(load_feed, 90, feed=plant.slot_r, container=plant.reel("A"), error=FIVE, sheet="S")
    plant.do(find_on_feed, 100, feed=plant.slot_r, container=plant.reel("B"), error=FIVE, sheet="S")
    assert FeedRecord.objects.filter(act=FeedRecord.Act.SEEN_AWAY).exists()
    plant.do(clear_feed, 102, feed=plant.slot_r, error=FIVE, sheet="S")
    plant.do(load_feed, 103, feed=plant.slot_r, container=plant.reel("C"), error=FIVE, sheet="S")
    line(plant, 104, board)
    assert ask("B") == (set(), set(), set())
    assert ask("C") == ({board.key}, set(), set())


def test_a_line_near_what_is_off_the_sheet_carries_its_error() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(load_feed, 100, feed=plant.slot_r, container=plant.reel("A"))
    entry = line(plant, 103, board)
    assert (entry.first, entry.last) == (ticks(97.5), ticks(108))


def test_what_comes_later_off_the_sheet_reaches_across_the_lines_near_it() -> None:
    plant = Plant()
    one, two, three = plant.boards(3)
    plant.do(load_feed, 50, feed=plant.slot_r, container=plant.reel("A"), error=FIVE, sheet="S")
    for minute, board in ((100, one), (103, two), (120, three)):
        line(plant, minute, board)
    plant.do(load_feed, 104, feed=plant.slot_r, container=plant.reel("B"))
    assert ask("A") == (set(), {one.key, two.key}, set())
    assert ask("B") == ({three.key}, {one.key, two.key}, set())


def test_a_sheet_does_not_go_back() -> None:
    plant = Plant()
    one, two = plant.boards(2)
    line(plant, 100, one)
    refusal = refused(plant, "sheet-refused", clear_feed, 99, feed=plant.slot_r, sheet="S", error=FIVE)
    assert "order" in refusal.action
    where = (ticks(101), ticks(102))
    refused(plant, "feed-refused", clear_feed, 103, feed=plant.slot_r, sheet="S", position=where)
    plant.do(clear_feed, 99, feed=plant.slot_r, sheet="T", error=FIVE)
    assert FeedRecord.objects.get().first < ticks(100) < FeedRecord.objects.get().last


def test_a_sheet_says_nothing_where_positions_are_counted_or_scans_prove_little() -> None:
    plant = Plant(counts_cycles=True)
    plant.do(clear_feed, 10, feed=plant.slot_r, sheet="S", error=FIVE, position=(3, 3))
    assert FeedRecord.objects.get().sheet == ""


def test_a_line_at_a_loose_station_proves_no_more_than_a_scan() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    entry = line(plant, 100, board)
    assert (entry.sheet, entry.first, entry.last) == ("", ticks(0), OPEN)


@pytest.mark.parametrize("seed", range(12))
def test_the_truth_is_among_the_candidates_of_a_sheet_with_scans_between(seed: int) -> None:
    """Lines are written in order but with a wrong clock, scans come in between, some recorded later: what truly lay on
    the feed is always among the candidates, and what is certain is true."""
    chance = random.Random(seed)
    plant = Plant()
    error = 4.0
    happenings = sorted(chance.sample(range(100, 160), 16))
    told: list[tuple[float, float, bool, int | None]] = []
    number, last = 0, 0.0
    truth: list[tuple[float, int | None]] = []
    for true in happenings:
        on_sheet = chance.random() < 0.6
        written = float(true)
        if on_sheet:
            written = last = max(true + chance.uniform(-error, error), last)
            written = last = min(written, true + error)
        change = chance.random() < 0.4
        number += change
        told.append((true, written, on_sheet, number if change else None))
        truth.append((true, number or None))
    lines = [entry for entry in told if entry[2]]
    scans = [entry for entry in told if not entry[2]]
    held_back = [entry for entry in scans if chance.random() < 0.5]
    order = sorted([*lines, *[s for s in scans if s not in held_back]], key=lambda e: e[0]) + held_back
    drawn = {}
    for true, written, on_sheet, change in order:
        sheet = {"sheet": "S", "error": timedelta(minutes=error)} if on_sheet else {}
        if change is not None:
            reel = plant.reel(f"C{change}")
            plant.do(load_feed, written, feed=plant.slot_r, container=reel, **sheet)
        else:
            (board,) = plant.boards()
            (entry,) = plant.do(
                record_passes, written, units=[board], station=plant.insertion, entered=moment(written), **sheet
            )
            drawn[entry.pk] = (board.key, max(((t, n) for t, n in truth if t <= true), default=(0, None))[1])
    for pk, (_, on_feed) in drawn.items():
        entry = Pass.objects.get(pk=pk)
        expected = f"C{on_feed}" if on_feed else None
        assert expected in candidates_at(plant.slot_r, entry.first, entry.last)
    for change in range(1, number + 1):
        certain, possible, _ = ask(f"C{change}")
        carriers = {key for key, on_feed in drawn.values() if on_feed == change}
        assert carriers <= certain | possible
        assert certain <= carriers
