"""Which revision an order may build."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.approvals.signing import approved
from tests.factories import Plant
from tests.refusals import refused
from trace.engineering.models import Part
from trace.engineering.operations import release_revision, retire_part, revise_part
from trace.floor.operations.feeds import clear_feed, load_feed, take_off_feed
from trace.floor.operations.orders import release_order
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db

DAY = 24 * 60


@pytest.fixture
def plant() -> Plant:
    return Plant()


def revised(plant: Plant, **effective: Any) -> Part:
    """Revision B of the board, released on the first day."""
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    return plant.do(release_revision, 20, part=approved(draft), **effective)


def order(plant: Plant, minute: float, part: Part, *serials: str) -> Any:
    return plant.do(release_order, minute, key=f"WO-{minute}", part=part, site=plant.site, serials=serials)


def order_refused(plant: Plant, minute: float, part: Part, *serials: str) -> str:
    asked = {"key": "W", "part": part, "site": plant.site, "serials": serials}
    return refused(plant, "order-refused", release_order, minute, **asked).message


def test_a_draft_is_not_ordered_nor_what_is_retired(plant) -> None:
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    says = order_refused(plant, 15, draft, "S-1")
    assert says == f"{draft.key} is a draft."
    plant.do(retire_part, 16, part=draft, reason="Never built.")
    draft.refresh_from_db()
    says = order_refused(plant, 17, draft, "S-1")
    assert "is retired" in says


def test_no_order_comes_before_the_revision_that_it_builds(plant) -> None:
    new = revised(plant)
    assert order_refused(plant, 15, new, "S-1") == f"{new.key} was released on 2026-03-02 06:20 UTC, after that moment."
    assert order(plant, 20, new, "S-1").part == new


def test_at_once_the_new_revision_takes_the_place_of_the_old(plant) -> None:
    order(plant, 15, plant.board, "S-1")
    new = revised(plant)
    says = order_refused(plant, 30, plant.board, "S-2")
    assert says == f"S-2 is to be built by {new.key}, released on 2 March 2026."
    assert order(plant, 31, new, "S-2").part == new


def test_from_a_day_on_in_the_plants_own_days(plant) -> None:
    new = revised(plant, effective_from=date(2026, 3, 4))
    says = order_refused(plant, 30, new, "S-1")
    assert says == f"{new.key} is not in effect: orders from 4 March 2026 on build it."
    order(plant, 31, plant.board, "S-1")
    two_days_on = 2 * DAY  # 06:00 on 4 March, UTC
    assert order(plant, two_days_on, new, "S-2")
    order_refused(plant, two_days_on + 1, plant.board, "S-3")
    type(plant.site).objects.update(zone="Pacific/Honolulu")
    plant.site.refresh_from_db()
    assert order(plant, two_days_on + 2, plant.board, "S-4"), "there it is still 3 March"


def test_from_a_serial_on(plant) -> None:
    new = revised(plant, effective_serial="S-100")
    order(plant, 30, plant.board, "S-98", "S-99")
    order(plant, 31, new, "S-100", "S-1000")
    says = order_refused(plant, 32, plant.board, "S-97", "S-101")
    assert says.startswith("S-101 is to be built by")
    says = order_refused(plant, 33, new, "S-97", "S-102")
    assert says.endswith("units from S-100 on are built by it.")


def test_once_the_stock_is_used_up(plant) -> None:
    reel, spare = plant.reel("CB-1"), plant.reel("CB-2")
    new = revised(plant, uses_up=plant.resistor)
    says = order_refused(plant, 30, new, "S-1")
    assert says.endswith("is used up first, and CB-1, CB-2 is left.")
    plant.do(load_feed, 40, feed=plant.slot_r, container=reel)
    plant.do(discard_container, 41, container=spare, reason="crushed")
    order_refused(plant, 42, new, "S-1")
    order(plant, 43, plant.board, "S-1")
    assert plant.do(take_off_feed, 50, feed=plant.slot_r).key == "CB-1"
    order_refused(plant, 51, new, "S-2")
    plant.do(load_feed, 52, feed=plant.slot_r, container=reel)
    plant.do(clear_feed, 53, feed=plant.slot_r)
    order(plant, 54, new, "S-2")
    order_refused(plant, 55, plant.board, "S-3")
