"""What stands on material is not shed by putting it elsewhere, nor by telling things in another order."""

from __future__ import annotations

from datetime import date

import pytest

from tests.factories import Plant
from tests.material.inspecting import box
from tests.refusals import refused
from trace.floor.models import Unit
from trace.floor.operations.counting import rereel_container
from trace.floor.operations.feeds import load_feed, splice_feed, take_off_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.stores import store_container
from trace.holds.models import Hold
from trace.holds.operations import place_holds
from trace.holds.rules import Move
from trace.material.models import Container
from trace.material.operations.inspection import reject_lot

pytestmark = pytest.mark.django_db


def loaded(plant: Plant, **details: object) -> Container:
    reel = plant.reel("CB-1", **details)
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    return reel


def test_what_is_held_stays_held_under_a_new_label() -> None:
    plant = Plant()
    reel = loaded(plant)
    plant.do(place_holds, 2, targets=[reel], reason="drift", permits=[Move.STORE])
    plant.do(take_off_feed, 3, feed=plant.slot_r, label="CB-2")
    refusal = refused(plant, "held", load_feed, 4, feed=plant.slot_r, container=box("CB-2"))
    assert "CB-1 is held: drift" in refusal.message
    plant.do(store_container, 5, container=box("CB-2"), store="A-1")  # what the hold permits it still does


def test_what_may_be_of_a_held_lot_is_held_too() -> None:
    plant = Plant()
    reel = loaded(plant)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=plant.reel("CB-2"), lead=10, tolerance=0)
    plant.do(place_holds, 3, targets=[reel.lot], reason="drift")
    plant.do(take_off_feed, 4, feed=plant.slot_r, label="CB-3")
    refused(plant, "held", load_feed, 5, feed=plant.slot_r, container=box("CB-3"))


def test_what_is_of_a_held_lot_alone_is_held_once() -> None:
    plant = Plant()
    reel = loaded(plant)
    plant.do(place_holds, 3, targets=[reel.lot], reason="drift")
    plant.do(take_off_feed, 4, feed=plant.slot_r, label="CB-3")
    assert Hold.objects.count() == 1
    refused(plant, "held", load_feed, 5, feed=plant.slot_r, container=box("CB-3"))


@pytest.mark.parametrize("lot", [True, False])
def test_what_is_held_gets_no_other_label(lot: bool) -> None:
    plant = Plant()
    reel = loaded(plant)
    plant.do(place_holds, 2, targets=[reel.lot if lot else reel], reason="drift")
    refused(plant, "held", take_off_feed, 3, feed=plant.slot_r, into=plant.reel("CB-9"))
    assert plant.do(take_off_feed, 3, feed=plant.slot_r, into=reel) == reel  # its own it may keep


def test_what_expires_earlier_gets_no_label_that_is_good_for_longer() -> None:
    plant = Plant()
    loaded(plant, expiry=date(2027, 1, 1))
    for key, expiry in (("CB-8", date(2030, 1, 1)), ("CB-9", None)):
        refusal = refused(
            plant, "wrong-label", take_off_feed, 3, feed=plant.slot_r, into=plant.reel(key, expiry=expiry)
        )
        assert "CB-1 expires before" in refusal.message
    plant.do(take_off_feed, 4, feed=plant.slot_r, into=plant.reel("CB-7", expiry=date(2026, 12, 1)))


def test_what_was_put_on_another_reel_is_not_put_on_a_third_before() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    plant.do(rereel_container, 10, source=reel, key="CB-2")
    refused(plant, "stock-refused", rereel_container, 5, source=reel, key="CB-3")


def test_nothing_is_re_reeled_before_it_came_or_while_it_hangs_on_a_feed_since() -> None:
    plant = Plant()
    late, reel = plant.reel("CB-1", minute=10), plant.reel("CB-2")
    assert "came after" in refused(plant, "stock-refused", rereel_container, 5, source=late, key="CB-9").message
    plant.do(load_feed, 10, feed=plant.slot_r, container=reel)
    assert "SLOT-R" in refused(plant, "stock-refused", rereel_container, 5, source=reel, key="CB-9").message
    plant.do(rereel_container, 11, source=reel, key="CB-9")


def with_parts(plant: Plant) -> tuple[Unit, Container]:
    reel = loaded(plant, expiry=date(2026, 12, 1))
    (board,) = plant.boards()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CC", plant.capacitor))
    plant.run(board, plant.insertion, 2, 3)
    return board, reel


def salvaged(plant: Plant, board: Unit, minute: float = 10, **told: object) -> Container:
    plant.do(remove_part, minute, unit=board, designator="R1", reason="reused", salvage="CB-S", **told)
    return box("CB-S")


def test_what_is_salvaged_is_held_and_expires_as_what_it_may_be_of() -> None:
    plant = Plant()
    board, reel = with_parts(plant)
    plant.do(place_holds, 5, targets=[reel.lot], reason="drift")
    part = salvaged(plant, board)
    assert part.lot.expiry == date(2026, 12, 1) and part.kind == Container.Kind.BAG
    refused(plant, "held", load_feed, 11, feed=plant.slot_r, container=part)


def test_what_is_salvaged_of_a_rejected_lot_is_not_released() -> None:
    plant = Plant()
    board, reel = with_parts(plant)
    plant.do(reject_lot, 5, lot=reel.lot, evidence="Wrong marking.")
    refused(plant, "wrong-label", remove_part, 9, unit=board, designator="R1", reason="x", into=plant.reel("CB-9"))
    refused(plant, "lot-not-released", load_feed, 11, feed=plant.slot_r, container=salvaged(plant, board))


def test_what_was_fitted_from_a_held_container_is_held_when_it_is_salvaged() -> None:
    plant = Plant()
    board, _ = with_parts(plant)
    other = plant.reel("CB-2")
    plant.do(fit_part, 4, unit=board, designator="R1", container=other, reason="repair")
    plant.do(place_holds, 5, targets=[other], reason="drift")
    refused(plant, "held", load_feed, 11, feed=plant.slot_r, container=salvaged(plant, board))
