"""The hot paths ask the database a fixed number of times, however much the plant has seen."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly
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
    """On PostgreSQL the lock of the hold gate is one more."""
    gate = connection.vendor == "postgresql"
    start, finish = in_and_out(plant_with())
    assert (start - gate, finish - gate) == (START, FINISH)


START, FINISH = 6, 9


@pytest.mark.parametrize(
    "more", [{"feeds": 12}, {"history": 10}, {"history": 8, "splices": 2}], ids=["feeds", "history", "settled splices"]
)
def test_it_does_not_grow_with_feeds_or_history(more) -> None:
    gate = connection.vendor == "postgresql"
    assert in_and_out(plant_with(**more)) == (START + gate, FINISH + gate)


@pytest.mark.parametrize("mode", [ScanMode.LOOSE, ScanMode.ONE_AT_A_TIME])
def test_a_rack_asks_as_often_as_one_unit(mode: str) -> None:
    plant = plant_with(history=1, mode=mode)

    def asked(minute: float, number: int) -> int:
        rack = plant.boards(number)
        return count(lambda: plant.do(record_passes, minute, units=rack, station=plant.insertion, rack="RACK"))

    once = asked(100, 1)
    assert asked(200, 30) == once
    waits = mode == ScanMode.ONE_AT_A_TIME  # scans there wait for each other
    assert asked(300, 1) == once <= 23 + waits + (connection.vendor == "postgresql")
