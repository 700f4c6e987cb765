"""The tiny plant works, on which other tests stand."""

import pytest

from tests.factories import Plant, candidates_at, spans_of, ticks
from trace.core.clock import OPEN
from trace.floor.models import Pass
from trace.floor.operations.feeds import load_feed

pytestmark = pytest.mark.django_db


def test_a_board_gets_its_reel() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel)
    (board,) = plant.boards()
    visit = plant.run(board, plant.insertion, 6, 7)
    assert (visit.first, visit.last, visit.drew) == (ticks(6), ticks(7), Pass.Drew.ALL)
    assert spans_of(plant.slot_r) == [(0, ticks(5), None), (ticks(5), OPEN, "CB-1")]
    assert candidates_at(plant.slot_r, visit.first, visit.last) == {"CB-1"}


def test_a_product_goes_its_way() -> None:
    plant = Plant()
    (product,) = plant.products()
    plant.finish(product, 3)
    assert [visit.station for visit in product.passes.all()] == [plant.final]
