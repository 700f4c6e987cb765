"""What a tester sends: readings of one unit, tests of many, once under a key; and what it is told."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, moment
from trace.core.permissions import Role
from trace.engineering.models import Characteristic
from trace.floor.models import Pass, Reading

pytestmark = pytest.mark.django_db

PASSED = {"Ripple": "12.5 mV", "Gloss": "good"}


@pytest.fixture
def plant(db: None) -> Plant:
    """Boards are measured and judged at their test."""
    plant = Plant()
    told: dict[str, Any] = {"part": plant.board, "step_number": 20}
    Characteristic.objects.create(number=1, name="Ripple", unit_of_measure="mV", upper=Decimal(20), **told)
    Characteristic.objects.create(number=2, name="Gloss", judge="inspector", **told)
    return plant


def boards(plant: Plant, number: int) -> list[str]:
    made = plant.boards(number, minute=2)
    for board in made:
        plant.run(board, plant.insertion, 3, 4)
    return [board.key for board in made]


def test_readings_of_a_unit(client, plant: Plant) -> None:
    (serial,) = boards(plant, 1)
    told = {"unit": serial, "readings": {"1": 12.5, "Gloss": "not good"}, "station": "TEST"}
    answer = client.do("record_readings", **told)
    assert answer.status_code == 201, answer.data
    ripple, gloss = answer.json()
    assert (ripple["unit"], ripple["value"], ripple["good"], ripple["attempt"]) == (serial, "12.500000", True, 1)
    assert (gloss["value"], gloss["good"], gloss["judge"]) == (None, False, client.person.key)
    listed = client.get(f"/api/v1/readings/?unit={serial}").json()["results"]
    assert [one["good"] for one in listed] == [True, False]


def test_a_test_of_many_units_with_its_results(client, plant: Plant) -> None:
    good, bad = boards(plant, 2)
    told = {
        "results": [{"unit": good, "readings": PASSED}, {"unit": bad, "readings": {**PASSED, "Ripple": "20.5"}}],
        "station": "TEST", "passes": True, "entered": moment(55).isoformat(),
    }  # fmt: skip
    answer = client.do("record_test", **told)
    assert answer.status_code == 201, answer.data
    assert [(one["unit"], one["outcome"]) for one in answer.json()] == [(good, "passed"), (bad, "failed")]


def test_a_repeat_of_a_test_changes_nothing(client, plant: Plant) -> None:
    (serial,) = boards(plant, 1)
    told = {
        "results": [{"unit": serial, "readings": PASSED}], "station": "TEST", "passes": True,
        "entered": moment(55).isoformat(), "at": moment(60).isoformat(),
    }  # fmt: skip
    answers = [
        client.post("/api/v1/operations/record-test/", told, format="json", headers={"Idempotency-Key": "once"})
        for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert Reading.objects.count() == 2 and Pass.objects.filter(station=plant.test).count() == 1


@pytest.mark.parametrize(
    "readings", [{"Ripple": True}, {"Ripple": None}, {"Ripple": [1]}, {"Ripple": {}}, [], "12", None, {"Noise": "1"}]
)
def test_what_can_not_be_read_is_refused(client, plant: Plant, readings: Any) -> None:
    (serial,) = boards(plant, 1)
    answer = client.do("record_readings", unit=serial, readings=readings, station="TEST")
    assert answer.status_code in (400, 409), answer.data
    assert not Reading.objects.exists()


def test_who_does_not_work_at_stations_records_none(client_of, plant: Plant) -> None:
    (serial,) = boards(plant, 1)
    auditor = client_of([Role.AUDITOR])
    assert auditor.do("record_readings", unit=serial, readings=PASSED, station="TEST").status_code == 403
    assert auditor.do("record_test", results=[{"unit": serial, "readings": PASSED}], station="TEST").status_code == 403
