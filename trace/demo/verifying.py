"""Set-ups are verified, and first pieces approved, where the steps of the plant ask for it."""

from __future__ import annotations

from datetime import datetime

from trace.demo.calendar import Act
from trace.demo.plant import Plant
from trace.floor.models import Unit
from trace.floor.operations.changeovers import approve_first_piece
from trace.floor.operations.feeds import find_on_feed
from trace.material.models import Container, Feed, SetUp

VERIFIED = ("RD1", "HB1")
"""Stations whose steps ask for a verified set-up."""
LOOKS_AT_IT = "P02"


def plan_sighting(plant: Plant, feed: str, container: str, position: tuple[int, int] | None, at: datetime) -> Act:
    """The operator of the station verifies what somebody else has put on a feed."""
    return Act(
        at,
        lambda at: plant.tell(
            find_on_feed,
            feed=plant.find(Feed, feed),
            container=plant.find(Container, container),
            position=position,
            by=plant.operator(feed.partition("-")[0], at),
            at=at,
        ),
    )


def plan_approval(plant: Plant, setup: str, serial: str, at: datetime) -> Act:
    """The quality inspector looks at the first board after a changeover."""
    return Act(
        at,
        lambda at: plant.tell(
            approve_first_piece,
            setup=plant.find(SetUp, setup),
            unit=plant.find(Unit, serial),
            by=plant.people[LOOKS_AT_IT],
            at=at,
        ),
    )
