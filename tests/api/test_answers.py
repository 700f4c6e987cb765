"""Forward and backward by the API: the same as the commands give, in three shapes, costs for those who may see them."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.management import call_command

from tests.web.conftest import Suspects, build_suspects
from trace.core.clock import now
from trace.core.permissions import PAGES, Role
from trace.engineering.models import Part
from trace.floor.operations.bags import open_bag

pytestmark = pytest.mark.django_db


@pytest.fixture
def suspects(db: None) -> Suspects:
    return build_suspects()


def test_forward_is_what_the_command_says(client, suspects: Suspects, capsys) -> None:
    call_command("affected", "K77", "--json")
    told = json.loads(capsys.readouterr().out)
    answer = client.get("/api/v1/affected/?lot=K77").json()
    assert answer == told and answer["counts"]["possible"] == 1 and answer["cost"]["scrap"]["total"]


def test_its_rows_as_csv_and_as_lines_of_json(client, suspects: Suspects, capsys) -> None:
    call_command("affected", "--container", "BAD", "--csv")
    told = capsys.readouterr().out
    sent = client.get("/api/v1/affected/?container=BAD", headers={"Accept": "text/csv"})
    assert sent.streaming and b"".join(sent.streaming_content).decode() == told
    lines = client.get("/api/v1/affected/?container=BAD", headers={"Accept": "application/x-ndjson"})
    rows = [json.loads(line) for line in b"".join(lines.streaming_content).decode().splitlines()]
    assert [row["key"] for row in rows] == [row["key"] for row in csv.DictReader(told.splitlines())]


def test_looking_back_and_the_work_at_a_station(client, suspects: Suspects) -> None:
    before = client.get("/api/v1/affected/?lot=K77&at=2026-03-02T06:11Z").json()
    assert before["counts"]["units"] == 1 and before["at"].startswith("2026-03-02T06:11")
    window = client.get("/api/v1/affected/?passed=INSERT,2026-03-02T06:09Z,2026-03-02T06:13:30Z").json()
    assert {carrier["key"] for carrier in window["carriers"]} >= {suspects.certain.key, suspects.shipped.key}


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ("", 400),
        ("?lot=NONE", 404),
        ("?container=BAD.0", 400),
        ("?lot=K77&at=yesterday", 400),
        ("?lot=K77&at=", 400),
        ("?passed=INSERT", 400),
        ("?passed=INSERT,2026-03-02,2026-03-01", 400),
        ("?passed=NONE,2026-03-01,2026-03-02", 404),
    ],
)
def test_a_question_that_cannot_be_asked_is_a_problem(client, suspects: Suspects, asked: str, status: int) -> None:
    for shape in ("application/json", "text/csv"):
        answer = client.get(f"/api/v1/affected/{asked}", headers={"Accept": shape})
        assert answer.status_code == status and answer["Content-Type"] == "application/problem+json"
        assert json.loads(answer.content)["detail"]


def test_backward_is_what_the_command_says(client, suspects: Suspects, capsys) -> None:
    call_command("asbuilt", suspects.product.key, "--json")
    assert client.get(f"/api/v1/built/{suspects.product.key}/").json() == json.loads(capsys.readouterr().out)
    assert client.get("/api/v1/built/NONE/").status_code == 404


@pytest.mark.parametrize("role", Role.values)
def test_costs_are_for_those_who_may_see_them(client_of, suspects: Suspects, role: str) -> None:
    assert ("cost" in client_of([role]).get("/api/v1/affected/?lot=K77").json()) is (role in PAGES["lot-cost"])


def test_which_container_is_to_be_used_first(client, suspects: Suspects) -> None:
    plant = suspects.plant
    Part.objects.filter(pk=plant.fuse.pk).update(moisture_level="3")
    dry, bag = (plant.reel(key, Part.objects.get(key="FUSE"), store="B7", quantity=Decimal(500)) for key in "DB")
    open_bag(container=bag, by=plant.ann, at=now() - timedelta(hours=100))
    answer = client.get("/api/v1/offers/FUSE/").json()
    first, *others = answer["offers"]
    assert (answer["part"], first["container"], first["store"], first["open"]) == ("FUSE", "B", "B7", True)
    assert 67.9 < first["floor_life_hours_left"] <= 68 and first["until"]
    assert next(one for one in others if one["container"] == dry.key)["floor_life_hours_left"] == 168
    assert client.get("/api/v1/offers/NONE/").status_code == 404
