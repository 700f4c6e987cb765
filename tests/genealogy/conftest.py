"""The tiny plant with all but the resistors settled; and the shop that random plants are played in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction

from tests.factories import Plant
from tests.genealogy.recording import Clock, clock
from tests.genealogy.shop import Shop
from trace.floor.operations.feeds import load_feed


@pytest.fixture
def plant(clock: Clock) -> Plant:
    """A plant with capacitors from the start, so that only resistors make a difference."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    return plant


@pytest.fixture(scope="module")
def shop(django_db_setup: None, django_db_blocker: Any) -> Iterator[Shop]:
    """Master data once for many plants, each of which is rolled back."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield Shop()
        transaction.set_rollback(True)


__all__ = ["clock", "plant"]
