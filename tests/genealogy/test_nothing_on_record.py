"""A unit as built shows every designator of its bill of material, on record or not."""

import pytest

from tests.factories import Plant
from trace.genealogy.backward import trace_backward

pytestmark = pytest.mark.django_db


def test_places_with_nothing_on_record_are_shown_empty() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    shown = [(place.designator, place.part, len(place.entries)) for place in trace_backward(board).places]
    assert shown == [("R1", "RES", 0), ("R2", "RES", 0), ("C1", "CAP", 0)]
    plant.run(board, plant.insertion, 1, 2)
    assert [len(place.entries) for place in trace_backward(board).places] == [1, 1, 1]
