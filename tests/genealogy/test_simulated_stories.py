"""The smallest stories of what the simulated plants found out about the rules."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.genealogy.asking import ask, board_at, load, lots_of
from trace.floor.operations.feeds import splice_feed, top_up_feed


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
