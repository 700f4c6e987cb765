"""Forward and backward by the API: the same as the commands give, in three shapes, costs for those who may see them."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.management import call_command

from tests.web.conftest import Suspects, build_suspects
from tests.web.test_pages import opened_alarm
from trace.containment.rates import rates_of
from trace.core.clock import now, now_ticks
from trace.core.permissions import PAGES, Role
from trace.costing.containments import summarise_ways
from trace.engineering.models import Part
from trace.floor.operations.bags import open_bag
from trace.web.alarms import answer_of
from trace.web.moments import Asof

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


def test_rows_of_a_containment_ask_for_no_term_alone(client, suspects: Suspects, monkeypatch) -> None:
    address = f"/api/v1/containments/{opened_alarm(suspects).key}/population/"
    asked: list[object] = []
    monkeypatch.setattr("trace.exchange.forward.trace_each", lambda terms, at: asked.append(terms) or [])
    rows = client.get(address, headers={"Accept": "text/csv"})
    assert len(b"".join(rows.streaming_content).splitlines()) > 3 and not asked


def test_looking_back_and_the_work_at_a_station(client, suspects: Suspects) -> None:
    before = client.get("/api/v1/affected/?lot=K77&at=2026-03-02T06:11Z").json()
    assert before["counts"]["units"] == 1 and before["at"].startswith("2026-03-02T06:11")
    window = client.get("/api/v1/affected/?passed=INSERT,2026-03-02T06:09Z,2026-03-02T06:13:30Z").json()
    assert {carrier["key"] for carrier in window["carriers"]} >= {suspects.certain.key, suspects.shipped.key}


def test_the_population_of_a_containment_is_that_of_its_page(client, suspects: Suspects) -> None:
    alarm = opened_alarm(suspects)
    address = f"/api/v1/containments/{alarm.key}/population/"
    answer = client.get(address).json()
    of_lot = client.get("/api/v1/affected/?lot=K77").json()
    same = {name: value for name, value in of_lot.items() if name not in ("suspicion", "sentence", "cost")}
    assert {name: value for name, value in answer.items() if name in same} == same
    answers = answer_of(alarm, Asof())
    # What it costs is what the page and the report of the containment say, by the rates that were set for it.
    alarm.rates.create(name="freight", value=Decimal("2.5"), given=0, by=alarm.opened_by)
    ways = summarise_ways(answers.population, rates_of(alarm)).costs
    assert {name: cost["total"] for name, cost in client.get(address).json()["cost"].items() if name != "currency"} == {
        way.value.replace(" ", "_"): f"{cost.total:f}" for way, cost in ways.items()
    }
    assert answer["sentence"] == answers.sentence and answer["counts"]["units"] == answers.summary.units == 3
    (term,) = answer["suspicion"]["terms"]
    assert term["words"] == "lot K77 of Acme" and term["evidence"] == "lab report 7"
    assert term["adds"] == {"certain": 2, "possible": 1, "cleared": 1, "stock": 1}
    rows = client.get(address, headers={"Accept": "text/csv"})
    told = list(csv.DictReader(b"".join(rows.streaming_content).decode().splitlines()))
    assert [row["key"] for row in told] == [carrier["key"] for carrier in answer["carriers"]]
    assert client.get(f"{address}?at=2026-03-02T06:11Z").json()["counts"]["units"] == 1
    assert client.get("/api/v1/containments/NONE/population/").status_code == 404
    alarm.terms.update(removed=now_ticks(), removed_by=alarm.opened_by, remove_reason="It was another lot.")
    assert client.get(address).json()["sentence"] == "Nothing is suspect yet."


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
