"""Clocks, dry packs and labels on pages."""

from __future__ import annotations

from datetime import timedelta

import pypdfium2
import pytest
import zxingcpp
from django.test import Client

from tests.web.conftest import Suspects
from tests.web.test_pages import rows_of, text_of
from trace.core.clock import now
from trace.core.keys import label_text
from trace.engineering.models import Part
from trace.engineering.operations import define_equipment
from trace.floor.operations.bags import open_bag
from trace.labels.paper import SIZES
from trace.material.floor_life import HOUR
from trace.material.models import BagRecord, Container, Lot
from trace.web.clocks import duration

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0, "no time"),
        (0.01, "less than a minute"),
        (0.5, "30 min"),
        (5.5, "5 h 30 min"),
        (24, "1 d"),
        (77, "3 d 5 h"),
    ],
)
def test_a_stretch_of_time_in_words(hours: float, words: str) -> None:
    assert duration(int(hours * HOUR)) == words


@pytest.fixture
def sensitive(suspects: Suspects) -> Container:
    """A container of a sensitive part, come lately: pages show how things are now."""
    Part.objects.filter(key="FUSE").update(moisture_level="3", shelf_life=400)
    return suspects.plant.reel("DRY", Part.objects.get(key="FUSE"), store="Cabinet 3")


def opened(suspects: Suspects, container: Container, hours_left: float) -> None:
    open_bag(container=container, by=suspects.plant.ann, at=now() - timedelta(hours=168 - hours_left))


def test_what_runs_out_says_what_to_do(visitor: Client, suspects: Suspects, sensitive: Container) -> None:
    Lot.objects.update(expiry=None)
    page = text_of(visitor.get("/material/clocks/").content.decode())
    assert "No container is past its time. None runs out within 30 days." in page
    opened(suspects, sensitive, 5.01)
    Lot.objects.filter(key="LOT-SPARE").update(expiry=now().date() + timedelta(days=9))
    Lot.objects.filter(key="LOT-GOOD").update(expiry=now().date() - timedelta(days=1))
    page = text_of(visitor.get("/material/clocks/").content.decode())
    assert "1 container may not be used any more as it is. 2 more run out within 30 days." in page
    rows = rows_of(visitor.get("/material/clocks/?csv=clocks"))
    assert [(row["Container"], row["What to do"], row["State"]) for row in rows] == [
        ("GOOD reel", "Put it aside, marked as expired", "expired"),
        ("DRY reel", "Use it, or seal it dry", "open"),
        ("SPARE reel", "Use it first", "good"),
    ]
    assert [row["Time left"] for row in rows[:2]] == ["none", "5 h"]
    BagRecord.objects.update(at=0)
    row = rows_of(visitor.get("/material/clocks/?csv=clocks"))[0]
    wanted = ("DRY reel", "Bake it before it is used", "past floor life")
    assert (row["Container"], row["What to do"], row["State"]) == wanted


def test_the_page_of_a_part_says_which_container_to_take(visitor: Client, suspects: Suspects, sensitive) -> None:
    Lot.objects.update(expiry=None)
    suspects.plant.reel("ELSE", sensitive.part, minute=-9)
    Lot.objects.update(expiry=None)
    page = text_of(visitor.get("/parts/FUSE/").content.decode())
    assert "Take reel ELSE first: where it lies is not on record." in page
    assert "level 3: it may lie open for 7 d" in page and "400 days from receipt" in page
    opened(suspects, sensitive, 30.5)
    assert "Take reel DRY first: it lies at Cabinet 3." in text_of(visitor.get("/parts/FUSE/").content.decode())
    rows = rows_of(visitor.get("/parts/FUSE/?csv=offers"))
    assert [(row["Container"], row["State"]) for row in rows][:2] == [("DRY reel", "open"), ("ELSE reel", "sealed")]
    assert "None can be fetched" in text_of(visitor.get("/parts/CAP/").content.decode())


def test_a_dry_pack_is_opened_sealed_and_baked(visitor: Client, suspects: Suspects, sensitive: Container) -> None:
    suspects.plant.do(define_equipment, key="OVEN-1", name="Bake oven", kind="oven")
    address = "/containers/DRY/bag/"
    assert visitor.post(address, {"do": "open_bag"})["Location"] == "/containers/DRY/"
    again = visitor.post(address, {"do": "open_bag"})
    assert again.status_code == 409 and "lies open already" in again.content.decode()
    assert visitor.post(address, {"do": "seal_bag", "storage": "a drawer"}).status_code == 400
    assert visitor.post(address, {"do": "seal_bag", "storage": "cabinet to 10"}).status_code == 302
    bake = {"do": "bake_container", "equipment": "OVEN-1", "temperature": "125", "hours": "9.5"}
    for wrong in ({"hours": "soon"}, {"equipment": "NONE"}, {"temperature": ""}, {"do": "eaten"}, {"at": "x"}):
        response = visitor.post(address, bake | wrong)
        assert 400 <= response.status_code < 500, wrong
    assert visitor.post(address, bake).status_code == 302
    rows = rows_of(visitor.get("/containers/DRY/?csv=bags"))
    assert [(row["What"], row["How"], row["With"]) for row in rows] == [
        ("opened", "", ""),
        ("sealed dry", "dry cabinet, at most 10 % RH", ""),
        ("baked", "9.5 h at 125 °C", "OVEN-1"),
    ]
    page = text_of(visitor.get("/containers/DRY/").content.decode())
    assert "open 6 d 23 h of 7 d left until" in page
    form = text_of(visitor.get(address).content.decode())
    assert "Caution: oven, trays and parts are hot" in form and "Follow site procedure and local code" in form
    assert "Its part has no floor life" in visitor.get("/containers/BAD/bag/").content.decode()


# Labels ---------------------------------------------------------------------------------------------------------------


def codes_in(content: bytes) -> list[str]:
    pages = (page.render(scale=2).to_pil() for page in pypdfium2.PdfDocument(content))
    return [found.text for page in pages for found in zxingcpp.read_barcodes(page)]


@pytest.mark.parametrize("size", ["", *(f"?size={size}" for size in SIZES)])
def test_a_containers_label(visitor: Client, suspects: Suspects, size: str) -> None:
    response = visitor.get(f"/containers/BAD/label/{size}")
    assert response["Content-Type"] == "application/pdf"
    assert 'filename="label-BAD.pdf"' in response["Content-Disposition"]
    assert codes_in(response.content) == [label_text("BAD")]
    assert f"/containers/BAD/label/{size}" in visitor.get("/containers/BAD/").content.decode()


def test_no_label_of_a_size_or_container_that_there_is_not(visitor: Client, suspects: Suspects) -> None:
    assert visitor.get("/containers/BAD/label/?size=9x9").status_code == 409
    assert visitor.get("/containers/NONE/label/").status_code == 404


def test_labels_of_several_on_a_sheet_or_single(visitor: Client, suspects: Suspects) -> None:
    sent = {"codes": f"BAD\n {label_text('GOOD').lower()}\n\n]Q3SPARE\nBAD", "paper": "3x7", "start": "20"}
    wanted = sorted(label_text(key) for key in ("BAD", "GOOD", "SPARE", "BAD"))
    sheets = visitor.post("/material/labels/", sent)
    assert sheets["Content-Type"] == "application/pdf" and sorted(codes_in(sheets.content)) == wanted
    assert len(pypdfium2.PdfDocument(sheets.content)) == 2
    singles = visitor.post("/material/labels/", sent | {"paper": "57x32"})
    assert len(pypdfium2.PdfDocument(singles.content)) == 4


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"codes": ""}, "Between 1 and 500 labels"),
        ({"codes": "BAD\nNONE"}, "No container or unit is labelled NONE."),
        ({"codes": "K77"}, "No container or unit is labelled K77."),
        ({"codes": "BAD.0"}, "The check character of BAD should be"),
        ({"codes": "B D"}, "is not a key"),
        ({"paper": "9x9"}, "No labels are called “9x9”."),
        ({"start": "0"}, "The sheet has places 1 to 21, and no 0."),
        ({"start": "x"}, "“x” is no place of a sheet."),
    ],
)
def test_labels_that_can_not_be_printed(visitor: Client, suspects: Suspects, changed: dict, says: str) -> None:
    response = visitor.post("/material/labels/", {"codes": "BAD", "paper": "3x7", "start": "1"} | changed)
    assert response.status_code in (400, 409) and says in text_of(response.content.decode())
    assert changed.get("codes", "BAD") in response.content.decode(), "what was typed is not lost"


def test_a_lot_leads_to_the_labels_of_its_containers(visitor: Client, suspects: Suspects) -> None:
    assert "/material/labels/?lot=K77" in visitor.get("/lots/K77/").content.decode()
    assert label_text("BAD") in visitor.get("/material/labels/?lot=K77").content.decode()
    assert visitor.get("/material/labels/?lot=N%C3%84").status_code == 200
