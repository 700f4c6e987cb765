"""What things cost is shown to those whom the table names: on pages, in the record and through the API alike."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from django.apps import apps
from django.test import Client

from tests.factories import Plant, moment
from tests.web.conftest import Suspects, make_user
from trace.core.models import Device
from trace.core.permissions import COSTS, PAGES, READING, WITHHELD, Role
from trace.engineering.operations import define_part, define_station, record_outlay, set_costs
from trace.engineering.operations.master import PartCost, StationRate, amend_record
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

COST, RATE, SPENT = "7.1234", "91.3579", "613.579"
"""Figures that stand nowhere else."""


@pytest.fixture
def priced(suspects: Suspects) -> Plant:
    """A part and a station defined with them and amended to them, a part and a station set to them."""
    plant = suspects.plant
    part = plant.do(define_part, key="NEW", number="NEW", name="New", standard_cost=Decimal(1))
    plant.do(amend_record, 1, record=part, changes={"standard_cost": COST})
    told = {"key": "SIDE", "name": "Side", "site": plant.site, "rate_per_hour": Decimal(RATE)}
    plant.do(define_station, **told)
    rate = StationRate(plant.test, Decimal(RATE))
    plant.do(set_costs, 50, parts=[PartCost(plant.resistor, Decimal(COST))], stations=[rate])
    told = {"day": moment().date(), "heading": "prevention", "words": "training"}
    plant.do(record_outlay, 50, amount=Decimal(SPENT), **told)
    Device.objects.create(key="KIOSK-1", name="A screen", stations=["TEST"], digest="0" * 64, issued=moment())
    return plant


def says(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.status_code)
    return answer.content.decode()


@pytest.mark.parametrize("role", Role.values)
def test_costs_are_shown_to_those_of_the_table_alone(priced: Plant, client: Client, role: str) -> None:
    client.force_login(make_user(roles=[role]))
    sees = role in COSTS
    entries = [f"/record/{pk}/" for pk in Event.objects.filter(payload__contains=COST).values_list("pk", flat=True)]
    assert len(entries) == 2
    for address in ("/parts/NEW/", "/parts/RES/revisions/NEW/", "/api/v1/parts/NEW/", *entries):
        assert (COST in says(client, address)) is sees, address
    assert (RATE in says(client, "/api/v1/stations/SIDE/")) is sees
    assert ("What it would cost" in says(client, "/lots/K77/")) is sees
    # An entry found by what it hides would tell it.
    assert ("No entry fits" in says(client, f"/record/?words={COST}")) is not sees
    told = says(client, "/api/v1/entries/?page_size=1000")
    assert (COST in told, RATE in told, SPENT in told) == (sees, sees, sees)
    shown = {entry["verb"]: entry["payload"] for entry in json.loads(told)["results"]}
    assert (shown["set_costs"] is not None) is sees and json.loads(shown["start_pass"])["verb"] == "start_pass"


OF_THE_API = {
    "standard-costs/": COSTS,
    "hourly-rates/": COSTS,
    "quality-outlays/": COSTS,
    "quality/cost/": PAGES["quality-cost"],
    "devices/": PAGES["admin"],
    "devices/KIOSK-1/": PAGES["admin"],
    "lists/parts/": PAGES["list-csv"],
    "parts/": PAGES["part"],
}
"""Addresses, and who may open a page that shows the same."""


@pytest.mark.parametrize("role", Role.values)
def test_the_api_gives_to_whom_the_page_does(priced: Plant, client: Client, role: str) -> None:
    client.force_login(make_user(roles=[role]))
    for address, permitted in OF_THE_API.items():
        answer = client.get(f"/api/v1/{address}")
        assert answer.status_code == (200 if role in permitted else 403), address
        assert role in permitted or answer.json()["action"].startswith("Ask a")


def test_what_the_table_withholds_there_is() -> None:
    models = {model._meta.model_name: model for model in apps.get_app_config("trace").get_models()}
    assert READING.keys() <= models.keys()
    fields = {field.name for model in models.values() for field in model._meta.concrete_fields}
    assert WITHHELD.keys() <= fields
