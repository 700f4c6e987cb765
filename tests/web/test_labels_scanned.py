"""Every scan line takes a label alike: the key, the key with its check character, and the link that the label codes."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from tests.factories import Plant, ticks
from tests.floor.sequencer import Sequencer
from tests.material.inspecting import GAUGE, gauge, planned, waiting
from tests.web.conftest import make_user
from tests.web.test_answers import text_of
from trace.core.keys import code_of, label_text
from trace.floor.operations.calls import call_material
from trace.material.models import Call, Container, FeedRecord, Inspection, Span
from trace.material.operations.setups import start_tape
from trace.web.scan import read_scan

pytestmark = pytest.mark.django_db

WAYS = {
    "key": lambda key: key,
    "small": lambda key: f" {label_text(key).lower()} ",
    "check character": label_text,
    "link": lambda key: code_of("container", key),
    "as a scanner sends it": lambda key: f"]Q3{code_of('container', key)}\r",
}


@pytest.fixture(params=WAYS)
def told(request: Any, settings: Any) -> Any:
    """A label as one of the ways has it."""
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    return WAYS[request.param]


@pytest.fixture
def plant(db: None, client: Client) -> Plant:
    client.force_login(make_user())
    plant = Plant()
    plant.reel("CB-7", quantity=500)
    return plant


def send(client: Client, page: str, **told: str) -> None:
    answer = client.post(page, told)
    assert answer.status_code == 302, answer.content.decode()


def test_the_scan_line(client: Client, plant: Plant, told: Any) -> None:
    assert [found.key for found in read_scan(told("CB-7")).found] == ["CB-7"]
    assert client.get("/scan/", {"q": told("CB-7")})["Location"] == "/containers/CB-7/"


def test_goods_in(client: Client, plant: Plant, told: Any) -> None:
    answer = client.get("/material/receive/", {"q": told("CB-7")}, follow=True)
    assert answer.redirect_chain[-1][0] == "/containers/CB-7/"


def test_labels_to_be_printed(client: Client, plant: Plant, told: Any) -> None:
    answer = client.post("/material/labels/", {"codes": told("CB-7"), "paper": "57x32"})
    assert answer["Content-Type"] == "application/pdf"


def test_what_is_done_with_a_container(client: Client, plant: Plant, told: Any) -> None:
    plant.reel("CB-8", quantity=100)
    send(client, "/material/containers/CB-7/", do="merge_containers", sources=told("CB-8"))
    assert "CB-8" in Container.objects.get(key="CB-7").sources.values_list("source__key", flat=True)
    send(client, "/material/containers/CB-7/", do="split_container", key=told("CB-9"), quantity="10")
    assert Container.objects.filter(key="CB-9").exists(), "a new label may hold a link too"


def test_a_feed(client: Client, plant: Plant, told: Any) -> None:
    send(client, "/feeds/SLOT-R/do/", do="load_feed", container=told("CB-7"))
    assert FeedRecord.objects.get(feed=plant.slot_r).container == Container.objects.get(key="CB-7")


def test_a_feed_is_told_of_later_with_when_it_was(client: Client, plant: Plant, told: Any) -> None:
    send(client, "/feeds/SLOT-R/do/", do="load_feed", container=told("CB-7"), at="2026-03-02T06:10")
    assert FeedRecord.objects.get(feed=plant.slot_r).happened == ticks(10)


def test_calls(client: Client, plant: Plant, told: Any) -> None:
    call = plant.do(call_material, 1, station=plant.insertion, part=plant.resistor, quantity=Decimal(100))
    send(client, "/material/calls/", do="issue_container", call=call.key, container=told("CB-7"))
    assert Call.objects.get().container == Container.objects.get(key="CB-7")


def test_the_building_of_a_tape_and_what_is_suspect_on_it(client: Client, told: Any) -> None:
    client.force_login(make_user())
    Sequencer(load=False)
    send(client, "/tapes/T1/build/?head=A", told=told("RA"))
    spans = Span.objects.filter(feed__key="T1-A", superseded=None).exclude(container=None)
    assert [span.container.key for span in spans] == ["RA"]
    assert "Suspect RA may be in" in text_of(client.get("/tapes/T1/", {"suspect": told("RA")}).content.decode())


def test_the_record(client: Client, plant: Plant, told: Any) -> None:
    answer = client.get("/record/", {"kind": "container", "key": told("CB-7")})
    assert answer.status_code == 200 and "Nothing on record is about" not in answer.content.decode()


@pytest.mark.parametrize("way", ["key", "small", "check character"])
def test_equipment_of_an_inspection(client: Client, plant: Plant, way: str) -> None:
    planned(plant, GAUGE, part=plant.capacitor)
    waiting(plant, "C1", 40, part=plant.capacitor)
    gauge(plant)
    sent = {"what": "record_inspection", "name": GAUGE.name, "inspected-C1-1": "5", "rejected-C1-1": "0"}
    send(client, "/material/inspect/C1/", equipment=WAYS[way]("BG-1"), readings="12 12 12 12 12", **sent)
    assert Inspection.objects.get().equipment.key == "BG-1"


@pytest.mark.parametrize("way", ["key", "small", "check character"])
def test_mounting(client: Client, plant: Plant, way: str) -> None:
    heads = {"A": (0, ["R1", "R2"]), "B": (6, ["C1"])}
    told = {"assembly": plant.board, "sequence": ["R1", "C1", "R2"], "heads": heads}
    plant.do(start_tape, key="T1", board_sets=5, **told)
    (board,) = plant.boards(1)
    answer = client.post("/tapes/T1/mount/", {"told": WAYS[way]("INSERT")})
    assert "station=INSERT" in answer["Location"]
    assert "for=BOARD" in client.post("/tapes/T1/mount/", {"told": WAYS[way](board.key)})["Location"]
