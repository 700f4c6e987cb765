"""The smallest stories of what the simulated plants found out about the rules."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.genealogy.asking import ask, board_at, load, lots_of
from trace.floor.operations.feeds import fill_by_hand, load_feed, splice_feed, top_up_feed
from trace.floor.operations.fittings import fit_part
from trace.material.models import Feed, SetUp
from trace.material.operations.setups import finish_tape, start_tape


@pytest.mark.django_db
def test_a_pour_mixes_what_was_spliced_on_and_not_yet_reached(plant: Plant) -> None:
    load(plant, "OLD", 2)
    plant.do(splice_feed, 3, feed=plant.slot_r, container=plant.reel("NEW"), lead=5, tolerance=1)
    plant.do(top_up_feed, 4, feed=plant.slot_r, container=plant.reel("POURED"))
    board = board_at(plant, 5, 6)
    assert ask("LOT-NEW")[1] == {board.key}
    assert lots_of(board)["R1"] == {"LOT-OLD", "LOT-NEW", "LOT-POURED"}
    for n in range(5):
        board = board_at(plant, 7 + n, 7.5 + n)
    assert board.key in ask("LOT-OLD")[1], "no lead says when the old is used up"


@pytest.mark.django_db
def test_a_part_taken_out_of_a_feed_for_a_repair_brings_the_spliced_reel_nearer(plant: Plant) -> None:
    load(plant, "OLD", 2)
    mended = board_at(plant, 3, 4)
    plant.do(splice_feed, 5, feed=plant.slot_r, container=plant.reel("NEW"), lead=2, tolerance=0)
    plant.do(fit_part, 6, unit=mended, designator="R1", feed=plant.slot_r, reason="cracked")
    both = board_at(plant, 7, 8)
    after = board_at(plant, 9, 10)
    assert ask("LOT-OLD") == ({mended.key}, {both.key}, set())
    assert ask("LOT-NEW") == ({after.key}, {both.key}, set())


@pytest.mark.django_db
def test_a_place_filled_by_hand_leaves_the_lead_as_it_was(plant: Plant) -> None:
    tape = plant.do(
        start_tape, key="TAPE", assembly=plant.board, sequence=["R1"], heads={"H1": (0, ["R1"])}, board_sets=6
    )
    head = Feed.objects.get(key="TAPE-H1")
    plant.do(load_feed, 1, feed=head, container=plant.reel("OLD"), position=(0, 0))
    plant.do(splice_feed, 2, feed=head, container=plant.reel("NEW"), lead=2, tolerance=0, position=(0, 0))
    plant.do(fill_by_hand, 3, feed=head, container=plant.reel("HAND"), board_set=1)
    plant.do(finish_tape, 4, tape=tape, board_sets=6)
    setup = SetUp.objects.get(axis__tape=tape)
    boards = [board_at(plant, 4 + n, 4.5 + n, position=(n, n), setup=setup) for n in range(4)]
    found = [lots_of(board)["R1"] for board in boards]
    assert found == [{"LOT-OLD"}, {"LOT-HAND"}, {"LOT-OLD"}, {"LOT-NEW"}]
