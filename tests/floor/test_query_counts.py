"""The hot paths ask the database a fixed number of times, however much the plant has seen."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_assembly, make_person, moment
from trace.engineering.models import Characteristic, ScanMode, Step
from trace.floor.models import FirstPiece, Pass
from trace.floor.operations.carriers import finish_carrier, start_carrier
from trace.floor.operations.changeovers import approve_first_piece, reject_first_piece, start_setup
from trace.floor.operations.feeds import find_on_feed, load_feed, splice_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.racks import define_rack, put_in_rack
from trace.floor.operations.readings import record_readings
from trace.material.models import Feed, SetUp
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


START, FINISH = 6, 7


@pytest.mark.parametrize(
    "more", [{"feeds": 12}, {"history": 10}, {"history": 8, "splices": 2}], ids=["feeds", "history", "settled splices"]
)
def test_it_does_not_grow_with_feeds_or_history(more) -> None:
    assert in_and_out(plant_with(**more)) == (START, FINISH)


def test_what_a_set_up_owes_is_asked_only_where_the_step_asks_for_it() -> None:
    """Which unit went first; what was seen of its feeds, and decided of first pieces, comes with the rest."""
    plant = plant_with(feeds=12)
    Step.objects.filter(part=plant.board, number=10).update(verification="anybody", first_piece=True)
    for feed in Feed.objects.filter(key__startswith="F-C"):
        plant.do(find_on_feed, 400, feed=feed, container=feed.records.get(act="load").container)
    assert in_and_out(plant) == (START + 1, FINISH)


MOST = 15
"""Statements of a scan, those of transactions apart, whatever the number of feeds and the history."""


def scans(plant: Plant, start: int = 500) -> dict[str, int]:
    """Statements of a scan in, of a scan in that finds a unit inside, of a scan out and of one scan, once what the step
    asks was read."""
    boards = plant.boards(4)
    asks = Characteristic.objects.filter(part=plant.board).exists()

    def read(minute: int, n: int) -> None:
        if asks:
            told = {"unit": boards[n], "station": plant.insertion, "readings": {"Look": "good"}}
            plant.do(record_readings, start + minute, **told)

    def into(minute: int, n: int) -> int:
        asked = count(lambda: plant.do(start_pass, start + minute, unit=boards[n], station=plant.insertion))
        read(minute, n)
        return asked

    found = {"in": into(0, 0), "in beside another": into(1, 1)}
    found["out"] = count(lambda: plant.do(finish_pass, start + 2, unit=boards[1]))
    into(3, 2)
    read(4, 3)
    entered = {"entered": moment(start + 4)} if plant.insertion.scan_mode == ScanMode.GATED else {}
    told = {"units": boards[3:], "station": plant.insertion, **entered}
    return {**found, "one scan": count(lambda: plant.do(record_passes, start + 5, **told))}


def asking(plant: Plant, what: str) -> None:
    """Have the step at that plant ask for all this: feeds that wait for draws, a set-up verified, a first piece
    approved, readings."""
    feeds = Feed.objects.filter(key__startswith="F-C")
    steps = Step.objects.filter(part=plant.board, number=10)
    for feed in feeds if "waiting" in what else ():
        reel = plant.reel(f"WAITS-{feed.key}", plant.capacitor)
        plant.do(splice_feed, 400, feed=feed, container=reel, lead=99, tolerance=1)
    if "verified" in what:
        steps.update(verification="another")
        for feed in feeds:
            last = feed.records.filter(act__in=["load", "splice"]).latest("happened")
            plant.do(find_on_feed, 401, feed=feed, container=last.container, by=make_person())
    if "approved" in what:
        steps.update(first_piece=True)
        went = Pass.objects.filter(station=plant.insertion, axis__setups__key="WIDE-S").earliest("began")
        plant.do(approve_first_piece, 402, setup=SetUp.objects.get(key="WIDE-S"), unit=went.unit)
    if "read" in what:
        Characteristic.objects.create(part=plant.board, step_number=10, number=1, name="Look", judge="the operator")


EVERYTHING = "waiting, verified, approved, read"


@pytest.mark.parametrize("mode", ScanMode.values)
@pytest.mark.parametrize("what", ["nothing", "verified, approved, read", EVERYTHING])
def test_a_scan_asks_fifteen_times_at_most(mode: str, what: str) -> None:
    """At a one-at-a-time station it lets out the unit before, too."""
    plant = plant_with(mode=mode, feeds=8, history=3, splices=0 if "waiting" in what else 2)
    asking(plant, what)
    assert {name: asked for name, asked in scans(plant).items() if asked > MOST} == {}


def test_a_first_piece_that_is_owed_asks_fifteen_times_at_most() -> None:
    """It is scanned once, and lets out the unit before."""
    plant = plant_with(mode=ScanMode.ONE_AT_A_TIME, feeds=8, history=3)
    asking(plant, EVERYTHING)
    before, first = plant.boards(2)
    plant.do(start_pass, 500, unit=before, station=plant.insertion)
    told = {"station": plant.insertion, "readings": {"Look": "good"}}
    plant.do(record_readings, 501, unit=before, **told)
    approved = FirstPiece.objects.get()
    plant.do(reject_first_piece, 502, setup=approved.setup, unit=approved.unit, reason="C1 is askew")
    plant.do(record_readings, 503, unit=first, **told)
    assert count(lambda: plant.do(record_passes, 504, units=[first], station=plant.insertion)) <= MOST


@pytest.mark.parametrize("mode", ScanMode.values)
def test_feeds_that_wait_for_draws_are_reckoned_together(mode: str) -> None:
    plant = plant_with(mode=mode, feeds=12, history=2)
    few, *others = Feed.objects.filter(key__startswith="F-C")

    def splice(minute: int, *feeds: Feed) -> None:
        for feed in feeds:
            reel = plant.reel(f"WAITS-{feed.key}", plant.capacitor)
            plant.do(splice_feed, minute, feed=feed, container=reel, lead=99, tolerance=1)

    splice(400, few)
    asked = scans(plant)
    splice(600, *others)
    assert scans(plant, 700) == asked


@pytest.mark.parametrize("mode", [ScanMode.LOOSE, ScanMode.ONE_AT_A_TIME])
def test_a_rack_asks_as_often_as_one_unit(mode: str) -> None:
    plant = plant_with(history=1, mode=mode)

    def asked(minute: float, number: int) -> int:
        rack = plant.boards(number)
        return count(lambda: plant.do(record_passes, minute, units=rack, station=plant.insertion, rack="RACK"))

    once = 6 + 2 * (mode == ScanMode.ONE_AT_A_TIME)  # the scans before, who is inside
    assert [asked(100, 1), asked(200, 30), asked(300, 1)] == [once] * 3


def test_a_later_step_asks_as_often_as_the_first() -> None:
    """That no set-up serves the step is looked into; no feed waits for its draws."""
    plant = plant_with()
    rack = plant.boards(30)
    plant.do(record_passes, 100, units=rack, station=plant.insertion, entered=moment(99))
    assert count(lambda: plant.do(record_passes, 102, units=rack, station=plant.test, entered=moment(101))) == 6


def test_a_rack_comes_out_by_as_many_questions_as_one_unit() -> None:
    plant = plant_with()
    Characteristic.objects.create(part=plant.board, step_number=10, number=1, name="Look", judge="the operator")

    def asked(number: int, minute: int) -> int:
        units = plant.boards(number)
        rack = plant.do(define_rack, key=f"R-{number}", slots=number)
        for unit in units:
            plant.do(put_in_rack, minute, rack=rack, unit=unit)
        plant.do(start_carrier, minute + 1, carrier=rack, station=plant.insertion)
        for unit in units:
            plant.do(record_readings, minute + 2, unit=unit, station=plant.insertion, readings={"Look": "good"})
        return count(lambda: plant.do(finish_carrier, minute + 3, carrier=rack))

    assert asked(1, 10) == asked(12, 20)
