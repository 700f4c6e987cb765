"""A changeover and the passes that reach across it."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.refusals import refused
from trace.engineering.models import ScanMode
from trace.floor.models import Pass
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import record_passes, start_pass
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
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
    assert Pass.objects.filter(unit=second).count() == 2
    assert Pass.objects.get(unit=second, superseded=None).setup.key == "SETUP-2"


def test_no_changeover_while_a_unit_is_inside() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.do(start_pass, 10, unit=board, station=plant.insertion)
    arguments = {"station": plant.insertion, "assembly": plant.board, "feeds": {"R1": plant.slot_r}}
    refusal = refused(plant, "setup-refused", start_setup, 20, key="SETUP-2", **arguments)
    assert board.key in refusal.message
