"""Two stations make use of a deviation at once: its last use is counted once."""

from __future__ import annotations

import pytest

from tests.approvals.signing import deviation
from tests.factories import Plant
from tests.racing import race
from trace.floor.models import Skip
from trace.floor.operations.passes import start_pass

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("round", range(5))
def test_a_last_use_is_given_to_one(round: int) -> None:
    plant = Plant()
    it = deviation(plant, most=1)
    one, two = plant.boards(2)
    refused = race(
        lambda: plant.do(start_pass, 10, unit=one, station=plant.test),
        lambda: plant.do(start_pass, 10, unit=two, station=plant.test),
    )
    it.refresh_from_db()
    assert (it.used, Skip.objects.count(), len(refused)) == (1, 1, 1)
