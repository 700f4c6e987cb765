"""What comes off a feed after a splice: of what the draws leave there."""

import pytest

from tests.factories import Plant
from trace.floor.operations.feeds import FeedRefused, load_feed, splice_feed, take_off_feed

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("boards", [1, 3])
def test_the_old_reel_is_gone_once_the_lead_is_used(boards):
    plant = Plant()
    old, new = plant.reel(), plant.reel()
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=new, lead=3, tolerance=1)  # two resistors a board
    for minute, board in enumerate(plant.boards(boards), 3):
        plant.run(board, plant.insertion, minute, minute + 0.5)
    if boards == 1:
        with pytest.raises(FeedRefused, match=f"{old.key}, {new.key}"):
            plant.do(take_off_feed, 9, feed=plant.slot_r)
    else:
        assert plant.do(take_off_feed, 9, feed=plant.slot_r) == new
