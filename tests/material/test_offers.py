"""Which container is to be used first, and what runs out: open bags come first, then expiry, then receipt."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from tests.factories import Plant, moment
from trace.engineering.models import Part
from trace.engineering.operations import define_equipment
from trace.floor.operations.bags import bake_container, open_bag, seal_bag
from trace.floor.operations.feeds import load_feed, take_off_feed
from trace.holds.operations import place_holds
from trace.material.models import Container
from trace.material.operations.inspection import reject_lot
from trace.material.operations.stock import discard_container
from trace.material.queries import Stocked, list_offers, list_running_out

pytestmark = pytest.mark.django_db

LIFE = 24 * 60


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="5a")
    plant.capacitor.refresh_from_db()
    return plant


def reel(plant: Plant, key: str, minute: float = -100, expiry: date | None = None) -> Container:
    return plant.reel(key, plant.capacitor, minute=minute, expiry=expiry)


def keys(stocked: list[Stocked]) -> list[str]:
    return [one.container.key for one in stocked]


def test_open_bags_come_first_then_what_expires_first_then_what_came_first(plant: Plant) -> None:
    reel(plant, "CAME-SECOND", -50)
    reel(plant, "CAME-FIRST", -60)
    reel(plant, "LONG", -90, date(2027, 2, 1))
    reel(plant, "SOON", -40, date(2027, 1, 1))
    for key, minute in (("OPEN-LATE", 20), ("OPEN-EARLY", 10)):
        plant.do(open_bag, minute, container=reel(plant, key, -10))
    sealed = reel(plant, "SEALED-AGAIN", -5)
    plant.do(open_bag, 0, container=sealed)
    plant.do(seal_bag, 30, container=sealed)
    wanted = ["OPEN-EARLY", "OPEN-LATE", "SOON", "LONG", "CAME-FIRST", "CAME-SECOND", "SEALED-AGAIN"]
    offers = list_offers([plant.capacitor], moment(60))["CAP"]
    assert keys(offers) == wanted
    assert [offer.opened for offer in offers] == [True, True, False, False, False, False, False]
    assert list_offers([plant.resistor], moment(60))["RES"] == []


def test_what_can_not_be_used_or_fetched_is_not_offered(plant: Plant) -> None:
    today = moment().date()
    reel(plant, "GOOD", expiry=today)
    reel(plant, "EXPIRED", expiry=today - timedelta(days=1))
    reel(plant, "LATER", 5000)
    plant.do(place_holds, 1, targets=[reel(plant, "HELD")], reason="a doubt")
    plant.do(place_holds, 1, targets=[reel(plant, "LOT-HELD").lot], reason="a doubt")
    plant.do(reject_lot, 1, lot=reel(plant, "REJECTED").lot, evidence="cracked leads")
    plant.do(discard_container, 1, container=reel(plant, "GONE"), reason="dropped")
    plant.do(load_feed, 1, feed=plant.slot_c, container=reel(plant, "USED-UP"))
    plant.do(load_feed, 2, feed=plant.slot_c, container=reel(plant, "TAKEN-OFF"))
    plant.do(take_off_feed, 3, feed=plant.slot_c)
    plant.do(load_feed, 4, feed=plant.slot_c, container=reel(plant, "ON-FEED"))
    assert keys(list_offers([plant.capacitor], moment(5))["CAP"]) == ["TAKEN-OFF", "GOOD"]
    assert keys(list_offers([plant.capacitor], moment(2 + LIFE))["CAP"])[0] == "TAKEN-OFF"
    after = moment(2 + LIFE) + timedelta(microseconds=1)
    assert keys(list_offers([plant.capacitor], after)["CAP"]) == []  # GOOD expired, too


def test_what_runs_out_is_listed_until_something_is_done(plant: Plant) -> None:
    def running_out(minute: float) -> list[str]:
        return keys(list_running_out(moment(minute), timedelta(days=10)))

    today = moment().date()
    reel(plant, "PAST", expiry=today - timedelta(days=1))
    reel(plant, "SOON", expiry=today + timedelta(days=3))
    reel(plant, "LATE", expiry=today + timedelta(days=30))
    caps = reel(plant, "CAPS")
    assert running_out(0) == ["PAST", "SOON"]
    plant.do(open_bag, 0, container=caps)
    assert running_out(1) == ["PAST", "CAPS", "SOON"]
    plant.do(seal_bag, 60, container=caps)
    assert running_out(61) == ["PAST", "SOON"]
    plant.do(open_bag, 100, container=caps)
    plant.do(seal_bag, 100 + LIFE, container=caps)
    (past,) = (s for s in list_running_out(moment(9000), timedelta(days=10)) if s.container == caps)
    assert past.clock and past.clock.over and not past.opened
    oven = plant.do(define_equipment, 0, key="OVEN", name="Oven", kind="oven")
    told = {"container": caps, "equipment": oven, "temperature": Decimal(125), "hours": Decimal(8)}
    plant.do(bake_container, 9000, **told)
    plant.do(seal_bag, 9001, container=caps)
    assert "CAPS" not in running_out(9002)


def test_level_6_waits_for_a_bake(plant: Plant) -> None:
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="6", time_on_label=6)
    reel(plant, "CAPS")
    assert keys(list_running_out(moment(), timedelta(days=1))) == ["CAPS"]
    assert list_offers([Part.objects.get(pk=plant.capacitor.pk)], moment())["CAP"] == []
