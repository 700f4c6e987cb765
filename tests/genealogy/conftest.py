"""The tiny plant with all but the resistors settled."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.genealogy.recording import Clock, clock
from trace.floor.operations.feeds import load_feed


@pytest.fixture
def plant(clock: Clock) -> Plant:
    """A plant with capacitors from the start, so that only resistors make a difference."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    return plant


__all__ = ["clock", "plant"]
