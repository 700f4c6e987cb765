"""What is measured of baths: limits, readings within and outside, and what is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from tests.factories import Plant, make_part, make_person
from tests.refusals import refused
from trace.core.models import User
from trace.ledger.models import Event
from trace.material.models import BathReading, Feed, FeedRecord
from trace.material.operations.baths import record_bath_reading, set_bath_limit
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    plant.bath = plant.do(define_feed, key="POT", station=plant.insertion, kind=Feed.Kind.BATH)  # type: ignore[attr-defined]
    return plant


def test_a_reading_is_held_against_the_limits_of_its_day(plant: Plant) -> None:
    bath = Feed.objects.get(key="POT")
    plant.do(set_bath_limit, 1, feed=bath, name="copper", unit="% by mass", high=Decimal("0.9"))
    on = plant.do(record_bath_reading, 2, feed=bath, name="copper", value=Decimal("0.9"))
    over = plant.do(record_bath_reading, 3, feed=bath, name="copper", value=Decimal("0.9001"))
    assert (on.outside, over.outside) == (False, True)
    assert '"outside":true' in Event.objects.filter(verb="record_bath_reading").latest("id").payload
    plant.do(set_bath_limit, 4, feed=bath, name="copper", unit="% by mass", low=Decimal("0.1"), high=Decimal(1))
    assert BathReading.objects.get(pk=over.pk).outside, "the limit of that day stands"
    assert plant.do(record_bath_reading, 5, feed=bath, name="copper", value=Decimal("0.05")).outside


def test_what_is_refused(plant: Plant) -> None:
    bath = Feed.objects.get(key="POT")
    refused(plant, "bath-refused", set_bath_limit, feed=plant.slot_r, name="copper", unit="%")
    refused(plant, "bath-refused", set_bath_limit, feed=bath, name="", unit="%")
    refused(plant, "bath-refused", set_bath_limit, feed=bath, name="copper", unit="")
    refused(plant, "bath-refused", set_bath_limit, feed=bath, name="copper", unit="%", low=2, high=1)
    plant.do(set_bath_limit, feed=bath, name="copper", unit="%")
    refusal = refused(plant, "bath-refused", record_bath_reading, feed=bath, name="lead", value=1)
    assert "Measured of it: copper" in refusal.action
    refused(plant, "bath-refused", record_bath_reading, feed=bath, name="copper", value=Decimal("NaN"))


def test_a_bath_is_charged_measured_and_dumped_on_its_page(plant: Plant, client: Client) -> None:
    client.force_login(User.objects.create(username="tec", person=make_person("TEC", roles=["technician"])))
    solder = make_part("SOLDER")
    plant.reel("BAR-1", solder, kind="bar")
    bath = Feed.objects.get(key="POT")
    plant.do(set_bath_limit, 1, feed=bath, name="copper", unit="%", high=Decimal("0.9"))

    def post(**sent: str) -> str:
        return client.post("/feeds/POT/do/", sent, follow=True).content.decode()

    assert "Hot solder" in client.get("/feeds/POT/do/").content.decode().replace("hot solder", "Hot solder")
    assert "Recorded: it was charged." in post(do="charge_bath", container="BAR-1")
    assert "The reading is outside its limits." in post(do="record_bath_reading", name="copper", value="1.2")
    assert "The reading is outside its limits." not in post(do="record_bath_reading", name="copper", value="0.5")
    assert "Recorded: it was dumped." in post(do="dump_bath", cleaned="false")
    acts = list(FeedRecord.objects.filter(feed=bath).order_by("id").values_list("act", "cleaned"))
    assert acts == [("charge", False), ("dump", False)]


def test_a_slot_is_loaded_seen_and_taken_off_on_its_page(plant: Plant, client: Client) -> None:
    client.force_login(User.objects.create(username="op", person=make_person("OPE", roles=["operator"])))
    plant.reel("CB-1")
    plant.reel("CB-2", plant.capacitor)

    def post(**sent: str) -> str:
        return client.post("/feeds/SLOT-R/do/", sent, follow=True).content.decode()

    assert "is not" in post(do="load_feed", container="CB-2"), "a capacitor in the resistors' slot"
    assert "Recorded: it was emptied, then loaded." in post(do="load_feed", container="CB-1")
    assert "Recorded: this one is there now." in post(do="find_on_feed", container="CB-1")
    assert "Recorded: it was taken off" in post(do="take_off_feed", label="")
    assert list(FeedRecord.objects.order_by("id").values_list("act", flat=True)) == ["load", "sighting", "take-off"]


def test_a_machine_that_counts_asks_for_its_count(client: Client) -> None:
    plant = Plant(counts_cycles=True)
    client.force_login(User.objects.create(username="op", person=make_person("OPE", roles=["operator"])))
    plant.reel("CB-1")
    sent = {"do": "load_feed", "container": "CB-1"}
    assert "cycle count is a whole number" in client.post("/feeds/SLOT-R/do/", sent).content.decode()
    client.post("/feeds/SLOT-R/do/", {**sent, "position": "40"})
    assert FeedRecord.objects.get().first == 40
