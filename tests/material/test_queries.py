"""Places that must be counted or cleared within their stated days."""

from __future__ import annotations

import pytest

from tests.factories import Plant, moment
from tests.refusals import refused
from trace.floor.operations.feeds import clear_feed, dump_bath, load_feed, top_up_feed
from trace.material.models import Feed
from trace.material.operations.setups import define_feed
from trace.material.queries import list_overdue_clearings

pytestmark = pytest.mark.django_db

DAY = 24 * 60


def overdue(minute: float) -> list[str]:
    return [feed.key for feed in list_overdue_clearings(moment(minute))]


def test_a_place_is_overdue_until_it_is_emptied_or_counted() -> None:
    plant = Plant()
    bin_ = plant.do(define_feed, key="BIN", station=plant.insertion, kind=Feed.Kind.BIN, clear_within=2)
    assert overdue(1) == ["BIN"], "nobody knows what lies in it"
    plant.do(load_feed, 1, feed=bin_, container=plant.reel())
    assert overdue(2 * DAY) == []
    plant.do(top_up_feed, DAY, feed=bin_, container=plant.reel())
    assert overdue(2 * DAY + 2) == ["BIN"], "a pour that nobody counted keeps all that was there"
    plant.do(top_up_feed, 2 * DAY, feed=bin_, container=plant.reel(), quantity=5, left=2)
    assert overdue(3 * DAY) == []
    plant.do(clear_feed, 4 * DAY, feed=bin_)
    assert (overdue(6 * DAY - 1), overdue(6 * DAY)) == ([], ["BIN"])


def test_a_bath_is_due_until_it_is_cleaned() -> None:
    plant = Plant()
    bath = plant.do(define_feed, key="BATH", station=plant.insertion, kind=Feed.Kind.BATH, clear_within=2)
    plant.do(dump_bath, 1, feed=bath)
    assert overdue(2) == ["BATH"]
    plant.do(dump_bath, 3, feed=bath, cleaned=True)
    assert overdue(4) == []


@pytest.mark.parametrize("days", [0, -1, 10_000])
def test_days_that_can_not_be_are_refused(days: int) -> None:
    plant = Plant()
    refused(plant, "setup-refused", define_feed, key="BIN", station=plant.insertion, clear_within=days)
