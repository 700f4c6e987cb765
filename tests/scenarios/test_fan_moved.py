"""Story 5 of the demo scenario, our own: a fan module is moved from a scrapped ventilator into another; its life, and
those of both ventilators, can be read on their pages, as they are and as they were."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import Plant, make_assembly, moment
from tests.refusals import refused
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.engineering.models import Part
from trace.floor.models import Unit
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.genealogy.forward import trace_forward
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Lot

pytestmark = pytest.mark.django_db


@pytest.fixture
def visitor(client: Client) -> Client:
    client.force_login(make_user())
    return client


def ventilator(plant: Plant) -> Part:
    """With a fan module (the board of the tiny plant stands for it) and a fuse."""
    return make_assembly(
        "QV-180", places={"FAN1": plant.board, "F1": plant.fuse}, route={10: [plant.final]}, kind=Part.Kind.PRODUCT
    )


def built(plant: Plant, unit: Unit, minute: float, fan: Unit | None) -> None:
    plant.do(start_pass, minute, unit=unit, station=plant.final)
    if fan:
        plant.do(fit_child, minute + 0.2, unit=unit, designator="FAN1", child=fan)
    fuses = plant.reel(part=plant.fuse)
    plant.do(fit_part, minute + 0.4, unit=unit, designator="F1", container=fuses, reason="as designed")
    plant.do(finish_pass, minute + 0.6, unit=unit)


def test_a_fan_module_is_moved_from_a_scrapped_unit_into_another(visitor: Client) -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RR", lot="K77"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CC", plant.capacitor))
    (fan,) = plant.boards()
    plant.finish(fan, 2)
    first, second = plant.units(ventilator(plant), 2)
    built(plant, first, 10, fan)
    plant.do(scrap_unit, 20, unit=first, reason="enclosure cracked")

    # It is on record inside the scrapped one until somebody takes it out with a record.
    refusal = refused(plant, "fitting-refused", fit_child, 21, unit=second, designator="FAN1", child=fan)
    assert refusal.message == f"{fan.key} is on record inside {first.key}." and "Remove it" in refusal.action
    inside = f"/units/{first.key}/inside/"
    told = {"do": "remove_part", "designator": "FAN1", "reason": "still good", "goes_to": "fan line"}
    assert "Recorded" in text_of(visitor.post(inside, told, follow=True).content.decode())
    loose = text_of(visitor.get(f"/units/{fan.key}/").content.decode())
    assert f"{fan.key}, Board of order {fan.order.key}, is finished" in loose
    told = {"do": "fit_child", "designator": "FAN1", "child": fan.key}
    assert "Recorded" in text_of(visitor.post(f"/units/{second.key}/inside/", told, follow=True).content.decode())

    page = text_of(visitor.get(f"/units/{fan.key}/").content.decode())
    assert f"is finished and fitted in {second.key}" in page
    happened = [row["What"] for row in rows_of(visitor.get(f"/units/{fan.key}/?csv=timeline"))]
    assert happened[:3] == [
        f"fitted in {second.key} at FAN1",
        f"taken out of {first.key} at FAN1 and sent to fan line (still good)",
        f"fitted in {first.key} at FAN1",
    ]
    then = text_of(visitor.get(f"/units/{fan.key}/?at={moment(15):%Y-%m-%dT%H:%M}").content.decode())
    assert f"was fitted in {first.key}" in then
    gone = text_of(visitor.get(f"/units/{first.key}/").content.decode())
    assert "is scrapped" in gone and f"it went into {second.key}" in gone and "is empty" in gone

    # A lot that turns out bad is found where the fan is, and was.
    population = trace_forward(Suspicion.of(lots=[Lot.objects.get(key="K77")]))
    assert {carrier.key for carrier in population.carriers} >= {fan.key, second.key}
