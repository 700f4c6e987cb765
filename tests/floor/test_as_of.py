"""Counts, empties and other reels, asked as of an earlier moment, and as known then."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, candidates_at, moment, ticks
from tests.floor.sequencer import Sequencer
from trace.core.clock import OPEN, telling
from trace.floor.left import find_left
from trace.floor.operations.counting import count_container, rereel_container
from trace.floor.operations.tapes import record_empty, splice_head
from trace.genealogy.known import as_known
from trace.material.models import Container, EmptyPlace

pytestmark = pytest.mark.django_db


def tell(plant: Plant, operation: Any, minute: float, **told: Any) -> Any:
    """Done, and recorded, at a minute."""
    with telling(moment(minute)):
        return plant.do(operation, minute, **told)


def left(key: str, at: int = OPEN) -> str:
    return str(find_left(Container.objects.get(key=key), at))


def test_a_count_and_another_reel_are_not_there_before_they_happened_nor_before_they_were_told() -> None:
    with telling(moment(0)):
        plant = Plant()
        reel = plant.reel("CB-1", quantity=100)
    tell(plant, count_container, 5, container=reel, quantity=Decimal(90), reason="some were lost")
    tell(plant, rereel_container, 9, source=reel, key="CB-2")
    assert [left("CB-1", ticks(minute)) for minute in (4, 6, 10)] == ["100", "90", "0"]
    assert left("CB-2") == "90"
    with as_known(ticks(4)):
        assert left("CB-1") == "100"
    with as_known(ticks(7)):
        assert left("CB-1") == "90" and not Container.objects.filter(key="CB-2").exists()


def test_an_empty_place_moves_no_splice_as_it_was_known_before_it_was_found() -> None:
    """As counted in `test_tapes.py`: the splice came at board set 14, and with one place found empty at 15."""
    with telling(moment(0)):
        it = Sequencer(run=True)
        spliced = it.plant.reel("CB", it.plant.capacitor)
    near = {"lead": 4, "tolerance": 0, "board_set": 8}
    tell(it.plant, splice_head, 4, feed=it.b, container=spliced, **near)
    tell(it.plant, record_empty, 5, feed=it.b, designator="C1", board_set=12)
    assert candidates_at(it.b, 14) == {"CA"} and EmptyPlace.objects.exists()
    with as_known(ticks(4.5)):
        assert candidates_at(it.b, 14) == {"CA", "CB"} and not EmptyPlace.objects.exists()
