"""A rack is scanned at two stations at once, and filled while it is scanned: each unit goes once, and nothing twice."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.racing import race
from trace.floor.models import Carried, Pass
from trace.floor.operations.carriers import start_carrier
from trace.floor.operations.passes import start_pass
from trace.floor.operations.racks import define_rack, put_in_rack

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("round", range(3))
def test_two_stations_scan_one_rack_and_one_of_its_units(round: int) -> None:
    plant = Plant()
    units = plant.boards(4)
    rack = plant.do(define_rack, key="RACK", slots=4)
    for unit in units:
        plant.do(put_in_rack, 1, rack=rack, unit=unit)

    def scan() -> object:
        return plant.do(start_carrier, 5, carrier=rack, station=plant.insertion)

    refused = race(scan, scan, lambda: plant.do(start_pass, 5, unit=units[0], station=plant.insertion))
    assert Pass.objects.filter(inside=True).count() == 4
    assert 1 <= len(refused) <= 2


@pytest.mark.parametrize("round", range(3))
def test_two_people_take_the_same_slot(round: int) -> None:
    plant = Plant()
    units = plant.boards(3)
    rack = plant.do(define_rack, key="RACK", slots=2)
    refused = race(*(lambda unit=unit: plant.do(put_in_rack, 1, rack=rack, unit=unit) for unit in units))  # type: ignore[misc]
    assert sorted(Carried.objects.values_list("slot", flat=True)) == [1, 2]
    assert refused == ["rack-refused"]
