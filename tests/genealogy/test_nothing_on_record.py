"""A unit as built shows every designator of its bill of material, on record or not, and what a feed was."""

import pytest

from tests.factories import Plant
from trace.genealogy.backward import trace_backward
from trace.material.models import Feed

pytestmark = pytest.mark.django_db


def test_places_with_nothing_on_record_are_shown_empty() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    shown = [(place.designator, place.part, len(place.entries)) for place in trace_backward(board).places]
    assert shown == [("R1", "RES", 0), ("R2", "RES", 0), ("C1", "CAP", 0)]
    plant.run(board, plant.insertion, 1, 2)
    assert [len(place.entries) for place in trace_backward(board).places] == [1, 1, 1]


def test_a_place_says_what_kind_of_feed_it_drew_from() -> None:
    plant = Plant()
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 1, 2)
    assert {(entry.feeds, entry.feed_kind) for place in trace_backward(board).places for entry in place.entries} == {
        (("SLOT-R",), Feed.Kind.SLOT),
        (("SLOT-C",), Feed.Kind.SLOT),
    }
