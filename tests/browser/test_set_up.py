"""A station is changed over, verified by another person and let go by scans alone; axe finds nothing on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant, make_assembly, make_part
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.keys import label_text
from trace.engineering.models import Step
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.rules import Stopped
from trace.material.models import SetUp
from trace.material.operations.setups import define_feed

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = {"tablet": (1024, 768), "phone": (390, 844)}


@pytest.mark.parametrize("size", SIZES)
def test_a_changeover_is_made_verified_and_let_go_by_scans(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable, size: str
) -> None:
    plant, diode = Plant(), make_part("DIODE")
    other = make_assembly("OTHER", places={"D1": diode, "C7": plant.capacitor}, route={10: [plant.insertion]})
    Step.objects.filter(part=other).update(verification="another", first_piece=True)
    plant.do(define_feed, key="SLOT-X", station=plant.insertion)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("REEL-R"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("REEL-C", plant.capacitor, quantity=9))
    plant.reel("REEL-D", diode, quantity=5000)
    unit, second = plant.units(other, 2)
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})

    def look(step: str) -> None:
        shot(step)
        accessible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, step

    def scan(key: str) -> str:
        with page.expect_navigation():
            type_as_scanner(page, label_text(key))
        return str(page.locator("main").inner_text())

    enter_as(make_user("sam", roles=["handler"]))
    page.goto("/station/INSERT/set-up/")
    look("as it is set up")
    assert "OTHER" in scan(unit.key), "the traveller of what is built next"
    look("the plan")
    assert "Scan a container of DIODE" in scan("SLOT-X")
    assert "SLOT-X gives D1 of OTHER, which take DIODE" in scan("REEL-R")
    look("the wrong one")
    assert "Everything is in place" in scan("REEL-D")
    look("in place")
    assert "The set-up is started." in scan("INSERT")
    assert SetUp.objects.get(assembly=other).end > 2**52

    assert "by another person than who loaded them" in scan("SLOT-X")
    assert "2 of 2 feeds are still to be scanned" in scan("REEL-D"), "he put it there himself"
    look("not verified")
    with pytest.raises(Stopped):
        start_pass(unit=unit, station=plant.insertion, by=plant.ann, at=now())
    enter_as(make_user("tess", roles=["technician"]))
    page.goto("/station/INSERT/set-up/")
    for key in ("SLOT-C", "REEL-C", "SLOT-X"):
        scan(key)
    assert "It is verified." in scan("REEL-D")
    look("verified")

    start_pass(unit=unit, station=plant.insertion, by=plant.ann, at=now())
    finish_pass(unit=unit, by=plant.ann, at=now())
    with pytest.raises(Stopped):
        start_pass(unit=second, station=plant.insertion, by=plant.ann, at=now())
    page.reload()
    look("first piece")
    page.get_by_role("button", name="Approve it").click()
    assert "The first piece is approved." in page.locator("main").inner_text()
    start_pass(unit=second, station=plant.insertion, by=plant.ann, at=now())


def test_what_is_found_different_stops(
    page, transactional_db: None, enter_as: Callable, accessible: Callable, shot: Callable
) -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("REEL-R"))
    plant.reel("ANOTHER")
    enter_as(make_user("sam"))
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto("/station/INSERT/set-up/")
    for key in ("SLOT-R", "ANOTHER"):
        with page.expect_navigation():
            type_as_scanner(page, label_text(key))
    assert "ANOTHER was found on SLOT-R" in page.get_by_role("alert").inner_text()
    shot("found")
    accessible()
