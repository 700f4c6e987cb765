"""The plant's zone is one, whoever asks for it: pages, commands, operations, costs."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.test import Client

from tests.factories import Plant, make_site
from tests.web.conftest import make_user
from trace.core.clock import to_ticks
from trace.costing.queries import day_of
from trace.engineering.models import Site
from trace.engineering.queries import get_zone
from trace.exchange.plant_time import PlantTime

pytestmark = pytest.mark.django_db

LATE = datetime(2026, 3, 2, 21, tzinfo=UTC)
"""The next day in Kiritimati (UTC+14, by the tz database), the same in UTC."""


@pytest.mark.parametrize(
    ("site", "settings_say", "zone"),
    [
        ("Pacific/Kiritimati", "UTC", "Pacific/Kiritimati"),
        (None, "Pacific/Kiritimati", "Pacific/Kiritimati"),
        ("Mars/Olympus", "Pacific/Kiritimati", "Pacific/Kiritimati"),
        ("Mars/Olympus", "UTC", "UTC"),
        ("../etc/passwd", "UTC", "UTC"),
    ],
)
def test_everybody_goes_by_one_zone(client: Client, settings, site: str | None, settings_say: str, zone: str) -> None:
    settings.TIME_ZONE = settings_say
    if site is not None:
        make_site()
        Site.objects.update(zone=site)
    assert (get_zone().key, PlantTime().name, PlantTime().zone.key) == (zone, zone, zone)
    assert day_of(to_ticks(LATE)).day == (3 if "Kiri" in zone else 2)
    client.force_login(make_user())
    page = client.get("/floor/?at=2026-03-02T12:00").content.decode()
    assert zone in page


def test_an_order_is_released_by_the_plants_day_though_its_zone_is_none() -> None:
    plant = Plant()
    Site.objects.update(zone="Mars/Olympus")
    plant.site.refresh_from_db()
    assert len(plant.boards(1)) == 1
