"""What was filled into a container later was not in it before, on a tape as on the clock."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from trace.floor.operations.feeds import find_on_feed, load_feed, splice_feed, take_off_feed
from trace.genealogy.backward import trace_backward
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Feed, SetUp
from trace.material.operations.setups import finish_tape, start_tape
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db


def lots_at(unit, designator: str) -> set[str | None]:
    place = next(place for place in trace_backward(unit).places if place.designator == designator)
    return {lot.lot for entry in place.entries for origin in entry.origins for lot in origin.first_lots()}


def test_a_board_set_built_before_a_splice_does_not_carry_what_was_spliced() -> None:
    plant = Plant()
    a, b = plant.reel("A"), plant.reel("B")
    plant.do(
        start_tape,
        1,
        key="T1",
        assembly=plant.board,
        sequence=["R1", "R2", "C1"],
        heads={"R": (0, ["R1", "R2"]), "C": (0, ["C1"])},
        board_sets=50,
    )
    head = Feed.objects.get(key="T1-R")
    plant.do(load_feed, 2, feed=head, container=a, position=(0, 0))
    plant.do(splice_feed, 10, feed=head, container=b, lead=10, tolerance=2, position=(30, 30))
    plant.do(take_off_feed, 20, feed=head, into=a, position=(32, 32))
    plant.do(finish_tape, 25, tape=head.axis.tape, board_sets=32)
    early, late = plant.boards(2, minute=30)
    setup = SetUp.objects.get(key="T1-SETUP")
    for unit, board_set in ((early, 5), (late, 31)):
        plant.run(unit, plant.insertion, 40 + board_set, 41 + board_set, setup=setup, position=(board_set, board_set))

    assert lots_at(early, "R1") == {a.lot.key}
    assert early.key not in {carrier.key for carrier in trace_forward(Suspicion.of(lots=[b.lot])).carriers}


def test_a_reel_that_left_the_plant_before_another_was_found_in_its_place_may_have_been_there() -> None:
    plant = Plant(counts_cycles=True)
    a, gone, seen = plant.reel("A"), plant.reel("GONE"), plant.reel("SEEN")
    plant.do(load_feed, 1, feed=plant.slot_r, container=a, position=(0, 0))
    (unit,) = plant.boards(1, minute=2)
    plant.run(unit, plant.insertion, 10, 11, position=(5, 5))
    plant.do(discard_container, 20, container=gone, reason="empty")
    plant.do(find_on_feed, 30, feed=plant.slot_r, container=seen, position=(9, 9))

    carriers = {c.key: c.sureness for c in trace_forward(Suspicion.of(lots=[gone.lot])).carriers}
    assert carriers == {unit.key: Sureness.POSSIBLE}
