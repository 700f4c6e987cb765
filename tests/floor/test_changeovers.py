"""A changeover and the passes that reach across it."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from tests.factories import Plant, make_assembly, make_station, moment
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode, Station
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed, splice_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.genealogy.backward import trace_backward
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Feed, Span
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def sureness_of(unit, lot) -> Sureness | None:
    carriers = trace_forward(Suspicion.of(lots=[lot])).carriers
    return next((carrier.sureness for carrier in carriers if carrier.key == unit.key), None)


def changeover(plant: Plant, minute: float):
    """From here the resistors come from another slot, loaded before."""
    other = plant.do(define_feed, minute, key="SLOT-NEW", station=plant.insertion)
    new = plant.reel("NEW")
    plant.do(load_feed, minute, feed=other, container=new)
    arguments = {"station": plant.insertion, "assembly": plant.board}
    feeds = {"R1": other, "R2": other, "C1": plant.slot_c}
    plant.do(start_setup, minute, key="SETUP-2", feeds=feeds, **arguments)
    return new


def test_a_loose_pass_that_reaches_across_may_have_drawn_from_either() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    old = plant.reel("OLD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    (board,) = plant.boards(1, minute=2)
    plant.do(record_passes, 10, units=[board], station=plant.insertion)
    new = changeover(plant, 20)
    plant.do(start_pass, 30, unit=board, station=plant.test)

    assert sureness_of(board, old.lot) == Sureness.POSSIBLE
    assert sureness_of(board, new.lot) == Sureness.POSSIBLE


def test_a_changeover_recorded_late_takes_over_the_passes_after_it() -> None:
    plant = Plant()
    old = plant.reel("OLD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    first, second = plant.boards(2, minute=2)
    plant.run(first, plant.insertion, 10, 15)
    plant.run(second, plant.insertion, 30, 35)
    new = changeover(plant, 20)

    assert sureness_of(first, old.lot) == Sureness.CERTAIN and sureness_of(first, new.lot) is None
    assert sureness_of(second, new.lot) == Sureness.CERTAIN and sureness_of(second, old.lot) is None


def test_no_changeover_while_a_unit_is_inside() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(start_pass, 10, unit=board, station=plant.insertion)
    arguments = {"station": plant.insertion, "assembly": plant.board, "feeds": {"R1": plant.slot_r}}
    refusal = refused(plant, "setup-refused", start_setup, 20, key="SETUP-2", **arguments)
    assert board.key in refusal.message


def test_a_loose_pass_recorded_after_a_changeover_may_have_been_drawn_before_it() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    old = plant.reel("OLD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    (board,) = plant.boards(1, minute=3)
    new = changeover(plant, 6)
    plant.do(record_passes, 10, units=[board], station=plant.insertion)
    plant.do(start_pass, 12, unit=board, station=plant.test)
    assert sureness_of(board, old.lot) == sureness_of(board, new.lot) == Sureness.POSSIBLE


def test_a_rack_across_a_changeover_draws_from_each_set_up_at_its_own_count() -> None:
    plant = Plant(counts_cycles=True)
    old, new = plant.reel("OLD"), plant.reel("NEW")
    other = plant.do(define_feed, 1, key="SLOT-NEW", station=plant.insertion)
    plant.do(load_feed, 1, feed=plant.slot_r, container=old, position=(0, 0))
    plant.do(load_feed, 1, feed=other, container=new, position=(0, 0))
    arguments = {"station": plant.insertion, "assembly": plant.board, "position": 10}
    plant.do(start_setup, 6, key="SETUP-2", feeds={"R1": other, "R2": other, "C1": plant.slot_c}, **arguments)
    first, second = plant.boards(2, minute=7)
    arguments = {"station": plant.insertion, "entered": moment(9), "positions": [(5, 5), (15, 15)]}
    plant.do(record_passes, 10, units=[first, second], **arguments)
    assert (sureness_of(first, old.lot), sureness_of(first, new.lot)) == (Sureness.CERTAIN, None)
    assert (sureness_of(second, old.lot), sureness_of(second, new.lot)) == (None, Sureness.CERTAIN)


def test_a_unit_inside_a_loose_station_may_have_drawn_before_the_changeover() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    old = plant.reel("OLD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    (board,) = plant.boards(1, minute=3)
    new = changeover(plant, 6)
    plant.do(start_pass, 10, unit=board, station=plant.insertion)
    assert sureness_of(board, old.lot) == sureness_of(board, new.lot) == Sureness.POSSIBLE
    plant.do(finish_pass, 12, unit=board)
    plant.do(start_pass, 14, unit=board, station=plant.test)
    assert sureness_of(board, old.lot) == sureness_of(board, new.lot) == Sureness.POSSIBLE


def test_a_feed_that_serves_on_through_a_changeover_leaves_nothing_open() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    old = plant.reel("OLD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    (board,) = plant.boards(1, minute=3)
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    feeds = {"R1": plant.slot_r, "C1": plant.slot_c}
    plant.do(start_setup, 6, key="SETUP-2", station=plant.insertion, assembly=plant.board, feeds=feeds)
    plant.do(start_pass, 9, unit=board, station=plant.test)
    assert sureness_of(board, old.lot) == Sureness.CERTAIN
    places = {place.designator: place.standing for place in trace_backward(board).places}
    assert [entry.sure for entry in places["R1"]] == [True]
    assert [entry.sure for entry in places["R2"]] == [False], "the second set-up does not serve it"


def test_what_was_drawn_across_a_changeover_counts_for_a_splice_only_where_it_is_sure() -> None:
    """A board that reaches across may have taken nothing from the old slot: the old reel is not surely through."""
    plant = Plant(mode=ScanMode.LOOSE)
    old, spliced = plant.reel("OLD"), plant.reel("SPLICED")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=spliced, lead=2, tolerance=0)
    first, second = plant.boards(2, minute=3)
    plant.do(record_passes, 5, units=[first], station=plant.insertion)
    changeover(plant, 6)
    plant.do(start_pass, 9, unit=first, station=plant.test)
    assert Span.objects.get(container=old, superseded=None).end == OPEN


def test_a_pass_where_nothing_gives_what_the_step_fills_is_stopped() -> None:
    plant = Plant()
    bare = make_station("BARE")
    plant.board.steps.get(number=10).stations.add(bare)
    (board,) = plant.boards()
    assert refused(plant, "stopped", start_pass, unit=board, station=bare).extra["rule"] == "no-setup"


@dataclass
class Twice:
    """R1 is filled at the first step from reel FIRST, and, under one of the set-ups of the second, from AGAIN."""

    plant: Plant
    late: Station

    def __post_init__(self) -> None:
        plant = self.plant
        self.part = make_assembly(
            "TWICE",
            places={"R1": plant.resistor, "C1": plant.capacitor},
            route={10: [plant.insertion], 20: [self.late], 30: [plant.test]},
        )
        resistors, caps = (plant.do(define_feed, key=key, station=self.late) for key in ("LATE-R", "LATE-C"))
        self.again = {"R1": resistors}
        self.others = {"C1": caps}
        self.reels = [plant.reel("FIRST"), plant.reel("AGAIN")]
        plant.do(start_setup, key="S-10", station=plant.insertion, assembly=self.part, feeds={"R1": plant.slot_r})
        for feed, reel in zip((plant.slot_r, resistors), self.reels, strict=True):
            plant.do(load_feed, 1, feed=feed, container=reel)

    def set_up(self, minute: float, key: str, feeds: dict[str, Feed]) -> None:
        self.plant.do(start_setup, minute, key=key, station=self.late, assembly=self.part, feeds=feeds)

    def surenesses(self, unit: Unit) -> list[Sureness | None]:
        return [sureness_of(unit, reel.lot) for reel in self.reels]


def test_a_place_filled_before_may_be_filled_again_under_the_set_up_before_the_changeover() -> None:
    """Which set-up is in force at the scan says nothing of what served on the other side of it."""
    plant = Plant()
    late = make_station("LATE", mode=ScanMode.LOOSE)
    twice = Twice(plant, late)
    twice.set_up(0, "S-20", twice.again)
    (unit,) = plant.units(twice.part, minute=2)
    plant.run(unit, plant.insertion, 3, 4)
    twice.set_up(8, "S-20B", twice.others)
    plant.do(record_passes, 10, units=[unit], station=late)
    plant.run(unit, plant.test, 12, 13)
    assert twice.surenesses(unit) == [Sureness.POSSIBLE, Sureness.POSSIBLE]


def test_a_batch_made_wider_over_a_changeover_may_have_filled_a_place_again() -> None:
    plant = Plant()
    late = make_station("LATE", mode=ScanMode.ONE_AT_A_TIME, work_seconds=120)
    twice = Twice(plant, late)
    twice.set_up(0, "S-20", twice.others)
    units = plant.units(twice.part, 3, minute=2)
    for minute, unit in enumerate(units, 3):
        plant.run(unit, plant.insertion, minute, minute + 0.5)
    plant.do(record_passes, 7, units=[units[0]], station=late)
    plant.do(record_passes, 10, units=[units[1]], station=late)
    twice.set_up(10.5, "S-20B", twice.again)
    plant.do(record_passes, 11, units=[units[2]], station=late)
    found = [twice.surenesses(unit) for unit in units]
    assert found == [[Sureness.CERTAIN, None], *[[Sureness.POSSIBLE, Sureness.POSSIBLE]] * 2]
