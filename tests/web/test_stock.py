"""Pages of stock: what is done with a container, what must be counted, calls for material."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import Plant, make_person
from trace.core.models import User
from trace.floor.left import find_left
from trace.floor.operations.feeds import load_feed
from trace.material.models import Call, Container

pytestmark = pytest.mark.django_db


@pytest.fixture
def handler(client: Client) -> Client:
    person = make_person("HAN", roles=["handler"])
    client.force_login(User.objects.create(username="han", person=person))
    return client


def post(client: Client, address: str, **sent: str) -> str:
    response = client.post(address, sent, follow=True)
    return response.content.decode()


def test_a_container_is_counted_split_and_poured_in_by_its_label(handler: Client) -> None:
    plant = Plant()
    plant.reel("CB-1", quantity=100)
    plant.reel("CB-2", quantity=20)
    address = "/material/containers/CB-1/"
    assert "By the record 100 of" in handler.get(address).content.decode()
    page = post(handler, address, do="count_container", quantity="90")
    assert "should hold 100 by the record" in page and 'value="90"' in page
    page = post(handler, address, do="count_container", quantity="90", reason="lost in the mail")
    assert "Recorded: it was counted." in page and "lost in the mail" in page
    page = post(handler, address, do="split_container", key="bag-1", quantity="10")
    assert "<title>What is done with BAG-1" in page and "By the record 10 of" in page
    page = post(handler, address, do="merge_containers", sources="CB-2")
    assert "By the record 100 of" in page, "80 and 20"
    assert "The check character of CB-2 should be" in post(handler, address, do="merge_containers", sources="CB-2.A")
    assert "Quantity:" in post(handler, address, do="scrap_parts", quantity="many", reason="x")
    assert "Nothing here was done" in post(handler, address, do="void_pass")
    page = post(handler, address, do="discard_container", reason="empty")
    assert "It has left the plant." in page and 'name="do"' not in page


def test_who_may_not_is_shown_no_form(client: Client) -> None:
    Plant().reel("CB-1")
    client.force_login(User.objects.create(username="aud", person=make_person("AUD", roles=["auditor"])))
    assert 'name="do"' not in client.get("/material/containers/CB-1/").content.decode()
    assert client.post("/material/containers/CB-1/", {"do": "count_container", "quantity": "1"}).status_code in (
        400,
        403,
        409,
    )
    assert not Container.objects.get(key="CB-1").counts.exists()


def test_what_gave_more_than_it_held_is_to_be_counted(handler: Client) -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=3)
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CB-2", plant.capacitor, quantity=30))
    for number, board in enumerate(plant.boards(2)):
        plant.run(board, plant.insertion, 2 + 2 * number, 3 + 2 * number)
    left = find_left(reel)
    assert left is not None and left.overdrawn == 1
    page = handler.get("/material/counts/").content.decode()
    assert "1 container gave more than it held" in page and "CB-1" in page and "CB-2" not in page


def test_a_station_calls_and_the_stores_bring(handler: Client) -> None:
    plant = Plant()
    plant.reel("CB-1", quantity=3)
    page = handler.get("/material/calls/").content.decode()
    assert "No station waits." in page and 'value="call_material"' in page and 'value="issue_container"' not in page
    page = post(handler, "/material/calls/", do="call_material", station="INSERT", part="RES")
    call = Call.objects.get()
    assert f"{call.key} is open." in page and f"{call.key}: RES for INSERT, open</option>" in page
    assert "1 call for material is open" in handler.get("/").content.decode()
    assert "No container has the key CB-9" in post(
        handler, "/material/calls/", do="issue_container", call=call.key, container="CB-9"
    )
    page = post(handler, "/material/calls/", do="issue_container", call=call.key, container="CB-1")
    assert f"{call.key} is on its way." in page
    assert f"{call.key} is delivered." in post(handler, "/material/calls/", do="deliver_call", call=call.key)
