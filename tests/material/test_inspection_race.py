"""Two decide about one lot at once: one decision, one refusal. A load at that moment goes before, or is refused."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.material.inspecting import EVERY, SAMPLE, box, inspected, planned, waiting
from tests.racing import race
from trace.floor.operations.feeds import load_feed
from trace.material.models import FeedRecord, Inspection, Lot
from trace.material.operations.inspection import record_inspection, reject_lot, release_lot

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("round", range(4))
def test_one_decides_and_the_other_is_told(round: int) -> None:
    plant = Plant()
    planned(plant)
    lot = waiting(plant)
    inspected(plant, lot, ("K1-1", 1_000, 0), ("K1-2", 1_000, 0))
    refused = race(
        lambda: plant.do(release_lot, 10, lot=lot, evidence="Report 12."),
        lambda: plant.do(release_lot, 10, lot=lot, evidence="Report 13."),
    )
    assert refused == ["status-refused"]
    assert Lot.objects.get(pk=lot.pk).statuses.count() == 2


@pytest.mark.parametrize("round", range(4))
def test_one_inspection_is_recorded_and_what_is_rejected_leaves_once(round: int) -> None:
    plant = Plant()
    planned(plant, SAMPLE, EVERY)
    lot = waiting(plant)
    told = {"lot": lot, "name": SAMPLE.name, "counts": [(box("K1-1"), 125, 2)]}
    refused = race(*[lambda: plant.do(record_inspection, 10, **told)] * 2)
    assert refused == ["inspection-refused"]
    assert Inspection.objects.count() == 1 and box("K1-1").quantity == 998


@pytest.mark.parametrize("round", range(4))
def test_nothing_is_loaded_after_a_rejection_that_was_told_before(round: int) -> None:
    plant = Plant()
    lot = waiting(plant)
    refused = race(
        lambda: plant.do(reject_lot, 10, lot=lot, evidence="Called back."),
        lambda: plant.do(load_feed, 10, feed=plant.slot_r, container=box("K1-1")),
    )
    loaded = FeedRecord.objects.exists()
    assert Lot.objects.get(pk=lot.pk).status == "rejected"
    assert refused == ([] if loaded else ["lot-not-released"])
