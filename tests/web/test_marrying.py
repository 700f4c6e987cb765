"""What goes in and out of a unit, by its page, at a station and through the API; a child found elsewhere."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from tests.api.conftest import make_client
from tests.approvals.signing import approved
from tests.factories import Plant
from tests.web.test_answers import text_of
from tests.web.test_station import AtStation
from trace.engineering.operations import release_revision, revise_part
from trace.floor.models import Fitting, Unit
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.findings import find_child
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(db: None) -> Plant:
    return Plant()


def page(visitor: Client, unit: Unit, **sent: str) -> Any:
    """The page after what was sent, or as it is."""
    address = f"/units/{unit.key}/inside/"
    return visitor.post(address, sent, follow=True) if sent else visitor.get(address)


def married(plant: Plant, number: int = 2) -> tuple[list[Unit], list[Unit]]:
    """Products, and the boards fitted in them at minutes 5, 6, …"""
    boards, products = plant.boards(number), plant.products(number)
    for minute, (product, board) in enumerate(zip(products, boards, strict=True), 5):
        plant.finish(board, 1)
        plant.do(fit_child, minute, unit=product, designator="M1", child=board)
    return products, boards


def unfit(plant: Plant) -> dict[str, tuple[Unit, str]]:
    """Children that may not be fitted, by what is wrong, and what is said of them."""
    boards = plant.boards(6)
    unfinished, failed, scrapped, packed, fitted, held = boards
    for board in (scrapped, packed, fitted, held):
        plant.finish(board, 1)
    plant.run(failed, plant.insertion, 2, 3)
    plant.do(start_pass, 4, unit=failed, station=plant.test)
    plant.do(finish_pass, 5, unit=failed, outcome="failed")
    plant.do(scrap_unit, 5, unit=scrapped, reason="broken")
    plant.do(pack_units, 5, carton="CT", units=[packed])
    (other,) = plant.products()
    plant.do(fit_child, 5, unit=other, designator="M1", child=fitted)
    plant.do(place_holds, 6, targets=[held], reason="a crack")
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    (later,) = plant.units(plant.do(release_revision, 20, part=approved(draft)), minute=21)
    plant.finish(later, 22)
    (product,) = plant.products()
    return {
        "another part": (product, "does not belong at M1"),
        "another revision": (later, "does not belong at M1"),
        "not finished": (unfinished, "is not finished"),
        "not passed": (failed, "is not finished"),
        "scrapped": (scrapped, "was scrapped"),
        "packed": (packed, "is packed in a carton"),
        "elsewhere": (fitted, "is on record inside"),
        "held": (held, "a crack"),
    }


def test_every_condition_of_a_child_is_refused_on_the_page_at_the_station_and_through_the_api(
    visitor: Client, plant: Plant
) -> None:
    wrong, (product,) = unfit(plant), plant.products()
    station, api = AtStation(visitor, "FINAL"), make_client()
    station.scan(product.key)
    for name, (child, says) in wrong.items():
        answer = page(visitor, product, do="fit_child", designator="M1", child=child.key)
        assert answer.status_code in (409, 423) and says in text_of(answer.content.decode()), name
        told = api.do("fit_child", unit=product.key, designator="M1", child=child.key)
        assert told.status_code in (409, 423) and says in told.json()["detail"], name
        if name != "another part":  # which is let in by itself: it is due there
            station.scan(child.key)
            assert station.says == "stop", name
    assert not Fitting.objects.filter(unit=product).exists()


@pytest.mark.parametrize("verb", ["fit_child", "swap_child"])
def test_a_unit_goes_in_by_scan_and_is_swapped(visitor: Client, plant: Plant, verb: str) -> None:
    (product,), (old,) = married(plant, 1)
    if verb == "fit_child":
        page(visitor, product, do="remove_part", designator="M1", reason="noisy", goes_to="RW1")
    (new,) = plant.boards()
    plant.finish(new, 8)
    sent = {"reason": "noisy", "goes_to": "RW1"} if verb == "swap_child" else {}
    answer = page(visitor, product, do=verb, designator="M1", child=new.key.lower(), **sent)
    assert "Recorded: a unit" in text_of(answer.content.decode())
    assert Fitting.objects.get(unit=product, until=None).child == new
    life = text_of(visitor.get(f"/units/{old.key}/").content.decode())
    assert f"taken out of {product.key} at M1 and sent to RW1 (noisy)" in life


def test_a_swap_without_where_the_old_one_goes_keeps_what_was_filled_in(visitor: Client, plant: Plant) -> None:
    (product,), _ = married(plant, 1)
    (new,) = plant.boards()
    plant.finish(new, 8)
    answer = page(visitor, product, do="swap_child", designator="M1", child=new.key, reason="noisy", goes_to=" ")
    assert answer.status_code == 400
    text = answer.content.decode()
    assert "Where does it go" in text and f'value="{new.key}"' in text


def test_a_part_goes_in_from_a_scanned_container(visitor: Client, plant: Plant) -> None:
    (product,) = plant.products()
    fuses = plant.reel("FUSES", plant.fuse)
    page(visitor, product, do="fit_part", designator="F1", container="FUSES", reason="as designed")
    assert Fitting.objects.get(unit=product).container == fuses
    wrong = page(visitor, product, do="fit_part", designator="F1", container=plant.reel("RES-1").key, reason="x")
    assert "does not belong at F1" in text_of(wrong.content.decode())


def test_the_page_guides_through_a_child_that_was_found_elsewhere(visitor: Client, plant: Plant) -> None:
    (a, b), (c, d) = married(plant)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    for unit in (a, d):
        text = text_of(page(visitor, unit).content.decode())
        assert f"Which unit is at M1 of {a.key} is not known" in text
        assert f"{c.key} was on record there, and was found in {b.key}" in text
        assert f"In doubt are {a.key} and {b.key}." in text
        assert f"{d.key}, which {b.key} had on record until then, is nowhere since" in text
    assert "what to scan" in visitor.get(f"/units/{d.key}/").content.decode()
    page(visitor, a, do="find_child", designator="M1", child=d.key)
    assert "is not known since" not in text_of(page(visitor, a).content.decode())
    assert Fitting.objects.get(child=d, until=None).unit == a


def test_a_lost_child_that_is_found_loose_is_lost_no_longer(visitor: Client, plant: Plant) -> None:
    (a, b), (c, d) = married(plant)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    page(visitor, d, do="find_loose")
    assert d.key not in text_of(page(visitor, a).content.decode())
    page(visitor, a, do="find_empty", designator="M1")
    assert "Choose what was done" in text_of(page(visitor, a).content.decode()).replace("Recorded", "")


def test_rework_is_recorded_and_taken_back(visitor: Client, plant: Plant) -> None:
    (board,) = plant.boards()
    draft = plant.do(revise_part, 10, part=plant.board, revision="B")
    new = plant.do(release_revision, 20, part=approved(draft))
    page(visitor, board, do="conform_unit", part=new.key, reason="change 17")
    assert "revision B, is" in text_of(visitor.get(f"/units/{board.key}/").content.decode())
    page(visitor, board, do="void_conformity", conformity=str(board.conformities.get().pk), reason="another board")
    assert "revision B" not in text_of(visitor.get(f"/units/{board.key}/").content.decode())
