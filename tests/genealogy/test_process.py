"""What passed a station in a window of time, as a suspicion."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.factories import Plant, ticks
from tests.genealogy.asking import NONE, Answer, fit, load, split
from tests.genealogy.recording import Clock
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode, Station
from trace.floor.models import Pass
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.fittings import remove_part
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.genealogy.forward import trace_forward
from trace.genealogy.known import as_known
from trace.genealogy.suspicion import Suspicion, Window

pytestmark = pytest.mark.django_db

DAY = 24 * 60


def passed(station: Station, since: float, until: float, at: float | None = None) -> Answer:
    """Who was at a station between two minutes, as of a third."""
    suspicion = Suspicion.of(windows=[Window(station.pk, ticks(since), ticks(until))])
    return split(trace_forward(suspicion, OPEN if at is None else ticks(at)))


def test_whoever_was_inside_in_the_window_surely_was_there() -> None:
    plant = Plant()
    first, second, third = plant.boards(3)
    for number, board in enumerate((first, second, third)):
        plant.run(board, plant.insertion, 10 * number + 2, 10 * number + 8)
    assert passed(plant.insertion, 11, 19) == ({second.key}, NONE, NONE)
    assert passed(plant.insertion, 5, 13) == ({first.key, second.key}, NONE, NONE)
    assert passed(plant.insertion, 8.5, 11.5) == (NONE, NONE, NONE)
    assert passed(plant.test, 0, 99) == (NONE, NONE, NONE)


def test_where_only_one_side_is_scanned_the_other_is_open() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    assert passed(plant.insertion, 1, 3) == (NONE, {board.key}, NONE)
    assert passed(plant.insertion, 4, 6) == ({board.key}, NONE, NONE)


def test_what_began_days_before_is_found() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 1, 3 * DAY)
    assert passed(plant.insertion, 2 * DAY, 2 * DAY + 1) == ({board.key}, NONE, NONE)
    assert passed(plant.insertion, 4 * DAY, 4 * DAY + 1) == (NONE, NONE, NONE)


@pytest.mark.parametrize("minutes", [DAY - 1, DAY, DAY + 1])
def test_what_ended_as_the_window_opened_was_there(minutes: float) -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 1, 1 + minutes)
    assert passed(plant.insertion, 1 + minutes, 9 * DAY) == ({board.key}, NONE, NONE)


def test_a_scan_known_within_an_error_is_surely_in_a_window_as_wide_only() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    plant.do(record_passes, 10, units=[board], station=plant.insertion, error=timedelta(minutes=2))
    assert passed(plant.insertion, 8, 12.5) == ({board.key}, NONE, NONE)
    assert passed(plant.insertion, 9, 12.5) == (NONE, {board.key}, NONE)
    assert passed(plant.insertion, 8, 11.5) == (NONE, {board.key}, NONE)


def test_with_a_lot_the_surer_counts() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    reel, (board,) = load(plant, "A", 1), plant.boards(minute=2)
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    plant.run(board, plant.test, 7, 8)
    window = Window(plant.insertion.pk, ticks(5.5), ticks(6.5))
    assert split(trace_forward(Suspicion.of(windows=[window]))) == (NONE, {board.key}, NONE)
    assert split(trace_forward(Suspicion.of(lots=[reel.lot], windows=[window]))) == ({board.key}, NONE, NONE)


def test_what_is_still_inside_counts_up_to_the_moment_looked_at() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(start_pass, 5, unit=board, station=plant.insertion)
    assert passed(plant.insertion, 8, 9) == ({board.key}, NONE, NONE)
    assert passed(plant.insertion, 3, 9, at=6) == ({board.key}, NONE, NONE)
    assert passed(plant.insertion, 3, 9, at=4) == (NONE, NONE, NONE)
    assert passed(plant.insertion, 8, 9, at=6) == (NONE, NONE, NONE), "then it was still to come"


def test_as_known_before_it_came_out_it_was_inside(clock: Clock) -> None:
    plant = Plant()
    (board,) = plant.boards()
    nothing = clock.last
    plant.do(start_pass, 5, unit=board, station=plant.insertion)
    inside = clock.last
    plant.do(finish_pass, 6, unit=board)
    assert passed(plant.insertion, 8, 9) == (NONE, NONE, NONE)
    with as_known(inside):
        assert passed(plant.insertion, 8, 9) == ({board.key}, NONE, NONE)
    with as_known(nothing):
        assert passed(plant.insertion, 5, 6) == (NONE, NONE, NONE)


def test_an_aborted_pass_counts_and_a_void_one_does_not() -> None:
    plant = Plant()
    aborted, void = plant.boards(2)
    plant.run(aborted, plant.insertion, 1, 2, outcome=Pass.Outcome.ABORTED)
    entry = plant.run(void, plant.insertion, 3, 4)
    plant.do(void_pass, 5, entry=entry, reason="the wrong board was scanned")
    assert passed(plant.insertion, 0, 5) == ({aborted.key}, NONE, NONE)


def test_a_parent_carries_it_while_the_child_is_inside() -> None:
    plant = Plant()
    (board,) = plant.boards()
    (product,) = plant.products(1)
    plant.run(board, plant.insertion, 1, 2)
    plant.run(board, plant.test, 3, 4)
    fit(plant, product, board, 5)
    assert passed(plant.insertion, 0, 3) == ({board.key, product.key}, NONE, NONE)
    plant.do(remove_part, 6, unit=product, designator="M1", reason="noisy")
    assert passed(plant.insertion, 0, 3) == ({board.key}, NONE, {product.key})
