"""The hot paths ask the database a fixed number of times, however much the plant has seen."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly, moment
from trace.engineering.models import ScanMode
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed, splice_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def count(work: Callable[[], object]) -> int:
    """Statements of an operation, but for those that begin and end transactions."""
    with CaptureQueriesContext(connection) as queries:
        work()
    asked = [q["sql"] for q in queries if not q["sql"].startswith(("BEGIN", "SAVEPOINT", "RELEASE", "COMMIT"))]
    return len(asked)


def plant_with(feeds: int = 2, history: int = 0, splices: int = 0, mode: str = ScanMode.GATED) -> Plant:
    """The tiny plant with a board on a line of its own, of one capacitor per feed, and what went before."""
    plant = Plant(mode=mode)
    names = {f"C{n}": plant.capacitor for n in range(feeds)}
    part = plant.board = make_assembly("WIDE", places=names, route={10: [plant.insertion], 20: [plant.test]})
    slots = {name: plant.do(define_feed, key=f"F-{name}", station=plant.insertion) for name in names}
    plant.do(start_setup, key="WIDE-S", station=plant.insertion, assembly=part, feeds=slots)
    for name, feed in slots.items():
        plant.do(load_feed, 1, feed=feed, container=plant.reel(f"CB-{name}", plant.capacitor))
    for n in range(splices):
        feed, reel = slots[f"C{n}"], plant.reel(f"NEW-{n}", plant.capacitor)
        plant.do(splice_feed, 2, feed=feed, container=reel, lead=1, tolerance=0)
    for n, board in enumerate(plant.boards(history) if history else []):
        if mode == ScanMode.GATED:
            plant.run(board, plant.insertion, 3 + 2 * n, 4 + 2 * n)
        else:
            plant.do(record_passes, 3 + n, units=[board], station=plant.insertion)
    return plant


def in_and_out(plant: Plant) -> tuple[int, int]:
    (board,) = plant.boards()
    return (
        count(lambda: plant.do(start_pass, 500, unit=board, station=plant.insertion)),
        count(lambda: plant.do(finish_pass, 501, unit=board)),
    )


def test_a_pass_asks_a_fixed_number_of_times() -> None:
    """On PostgreSQL the lock of the hold gate is one more, an event with its subjects one less."""
    assert in_and_out(plant_with()) == (START, FINISH)


START, FINISH = 6, 9


@pytest.mark.parametrize(
    "more", [{"feeds": 12}, {"history": 10}, {"history": 8, "splices": 2}], ids=["feeds", "history", "settled splices"]
)
def test_it_does_not_grow_with_feeds_or_history(more) -> None:
    assert in_and_out(plant_with(**more)) == (START, FINISH)


@pytest.mark.parametrize("mode", [ScanMode.LOOSE, ScanMode.ONE_AT_A_TIME])
def test_a_rack_asks_as_often_as_one_unit(mode: str) -> None:
    plant = plant_with(history=1, mode=mode)

    def asked(minute: float, number: int) -> int:
        rack = plant.boards(number)
        return count(lambda: plant.do(record_passes, minute, units=rack, station=plant.insertion, rack="RACK"))

    once = 9 if mode == ScanMode.ONE_AT_A_TIME else 6  # the lock of the station, the scans before, who is inside
    assert [asked(100, 1), asked(200, 30), asked(300, 1)] == [once] * 3


def test_a_later_step_asks_as_often_as_the_first() -> None:
    """That no set-up serves the step is looked into; no feed waits for its draws."""
    plant = plant_with()
    rack = plant.boards(30)
    plant.do(record_passes, 100, units=rack, station=plant.insertion, entered=moment(99))
    assert count(lambda: plant.do(record_passes, 102, units=rack, station=plant.test, entered=moment(101))) == 6
