"""The pages of racks and panels, and of lots on their route."""

from __future__ import annotations

from decimal import Decimal

import pypdfium2
import pytest
from django.test import Client

from tests.factories import Plant, moment
from tests.floor.test_panels import panel_part
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.keys import code_of, label_text
from trace.engineering.models import Step
from trace.floor.models import BatchPass, Carrier, Pass
from trace.floor.operations.carriers import start_carrier
from trace.floor.operations.racks import define_rack, make_panel, part_panel, put_in_rack
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


def test_units_are_put_in_sent_in_and_let_out(visitor: Client) -> None:
    plant = Plant()
    one, two = plant.boards(2)
    plant.do(define_rack, key="RACK", slots=3)
    page = text_of(visitor.get("/racks/RACK/").content.decode())
    assert "It is empty: 3 slots are free. Put units into it." in page
    for unit, slot in ((one, ""), (two, "3")):
        sent = {"do": "put_in_rack", "unit": label_text(unit.key), "slot": slot}
        assert visitor.post("/racks/RACK/", sent).status_code == 302
    rows = rows_of(visitor.get("/racks/RACK/?csv=slots"))
    assert [(row["Slot"], row["Unit"], row["State"]) for row in rows] == [
        ("1", one.key, "due for step 10, Step 10"), ("2", "", "free"), ("3", two.key, "due for step 10, Step 10"),
    ]  # fmt: skip
    plant.do(place_holds, 4, targets=[two], reason="suspect")
    response = visitor.post("/racks/RACK/", {"do": "start_carrier", "station": "INSERT"})
    assert response.status_code == 302
    page = text_of(visitor.get(response["Location"]).content.decode())
    assert "1 of 3 slots is taken: inside INSERT." in page
    assert "1 went, and 1 stayed behind" in page and "suspect" in page
    (row,) = rows_of(visitor.get("/racks/RACK/?csv=behind"))
    assert row["Unit"] == two.key and "suspect" in row["Why"]
    assert visitor.post("/racks/RACK/", {"do": "finish_carrier", "failed": one.key}).status_code == 302
    assert Pass.objects.get(unit=one, superseded=None).outcome == "failed"
    assert visitor.post("/racks/RACK/", {"do": "take_from_rack", "unit": one.key}).status_code == 302
    assert "It is empty" in visitor.get("/racks/RACK/").content.decode()


def test_what_is_refused_keeps_the_form(visitor: Client) -> None:
    plant = Plant()
    (unit,) = plant.boards()
    rack = plant.do(define_rack, key="RACK", slots=3)
    plant.do(put_in_rack, 1, rack=rack, unit=unit)
    response = visitor.post("/racks/RACK/", {"do": "start_carrier", "station": "TEST"})
    assert response.status_code == 409
    page = text_of(response.content.decode())
    assert "still needs step 10" in page and "Take it to where it is due." in page
    response = visitor.post("/racks/RACK/", {"do": "finish_carrier", "failed": "NOBODY"})
    assert response.status_code == 404 and "No unit has the serial NOBODY" in response.content.decode()
    assert visitor.get("/racks/NONE/").status_code == 404


def test_a_panel_is_parted_once(visitor: Client) -> None:
    plant = Plant()
    units = plant.boards(2)
    plant.do(make_panel, 1, key="P-1", part=panel_part(plant), boards=list(enumerate(units, 1)))
    page = visitor.get("/racks/P-1/").content.decode()
    assert "2 boards of PANEL Panel in one panel, which go as one until it is parted" in text_of(page)
    assert "Caution" in page and "put_in_rack" not in page
    assert visitor.post("/racks/P-1/", {"do": "part_panel"}).status_code == 302
    page = visitor.get("/racks/P-1/").content.decode()
    assert (
        "its boards go one by one, and its label is refused" in text_of(page)
        and "<h2 id=" not in page.split("slots")[0]
    )
    assert visitor.post("/racks/P-1/", {"do": "start_carrier", "station": "INSERT"}).status_code == 409
    timeline = rows_of(visitor.get(f"/units/{units[0].key}/?csv=timeline"))
    assert [row["What"] for row in timeline if row["Kind"] == "rack"] == ["parted from P-1", "in place 1 of P-1"]


def test_all_racks_and_what_is_in_them(visitor: Client) -> None:
    plant = Plant()
    assert "No rack is on record" in visitor.get("/racks/").content.decode()
    rack = plant.do(define_rack, key="RACK", slots=3, ordered=True)
    plant.do(put_in_rack, 1, rack=rack, unit=plant.boards()[0])
    (row,) = rows_of(visitor.get("/racks/?csv=racks"))
    assert (row["Label"], row["What it is"], row["In it now"], row["In order"]) == ("RACK", "rack", "1", "yes")


def test_a_panel_gets_its_label_and_a_rack_is_new(visitor: Client) -> None:
    plant = Plant()
    one, two = plant.boards(2)
    panel_part(plant)
    sent = {"do": "make_panel", "key": "P-9", "part": "PANEL", "boards": f"{label_text(one.key)} {two.key}"}
    response = visitor.post("/racks/", sent)
    assert response.status_code == 302 and response["Location"] == "/racks/P-9/"
    rows = rows_of(visitor.get("/racks/P-9/?csv=slots"))
    assert [(row["Place"], row["Unit"]) for row in rows] == [("1", one.key), ("2", two.key)]
    response = visitor.post("/racks/", {**sent, "key": "P-10"})
    assert response.status_code == 409 and "is in panel P-9" in response.content.decode()
    response = visitor.post("/racks/", {"do": "define_rack", "key": "R-1", "slots": "12", "ordered": "yes"})
    assert response["Location"] == "/racks/R-1/"
    assert Carrier.objects.values_list("slots", "ordered").get(key="R-1") == (12, True)


@pytest.mark.parametrize("url", ["", "HTTPS://TRACE.EXAMPLE/"])
def test_its_label_is_scanned(visitor: Client, settings: object, url: str) -> None:
    settings.LABEL_URL = url  # type: ignore[attr-defined]
    plant = Plant()
    plant.do(define_rack, key="RACK", slots=3, ordered=True)
    code = code_of("carrier", "RACK")
    assert code == f"{url}R/{label_text('RACK')}" if url else code == label_text("RACK")
    response = visitor.get("/scan/", {"q": code})
    assert response.status_code == 302 and response["Location"] == "/racks/RACK/"
    pdf = visitor.get("/racks/RACK/label/?size=57x32")
    assert pdf["Content-Type"] == "application/pdf"
    words = pypdfium2.PdfDocument(pdf.content)[0].get_textpage().get_text_range()
    assert label_text("RACK") in words and "Rack, 3 slots" in words and "In the order of its slots" in words


def test_the_api_names_who_stayed_behind(client: Client) -> None:
    plant = Plant()
    one, held = plant.boards(2)
    rack = plant.do(define_rack, key="RACK", slots=3)
    for unit in (one, held):
        plant.do(put_in_rack, 1, rack=rack, unit=unit)
    plant.do(place_holds, 4, targets=[held], reason="suspect")
    client.force_login(make_user("bob", roles=["operator"]))
    answers = [
        client.post(
            "/api/v1/operations/start-carrier/",
            {"carrier": "RACK", "station": "INSERT", "at": moment(5).isoformat()},
            content_type="application/json",
            headers={"Idempotency-Key": "1"},
        ).json()
        for _ in range(2)
    ]
    for answer in answers:
        assert answer["said"]["went"] == [one.key]
        ((serial, slot, ((code, rule, message, action),)),) = answer["said"]["behind"]
        assert (serial, slot, code, rule) == (held.key, 2, "stopped", "held")
        assert "suspect" in message and action
    assert Carrier.objects.count() == 1


def test_a_lot_goes_through_its_route_by_count(visitor: Client) -> None:
    plant = Plant()
    Step.objects.create(part=plant.fuse, number=10, name="Gauge").stations.add(plant.test)
    plant.reel("BOX", plant.fuse, quantity=Decimal(200))
    page = text_of(visitor.get("/material/containers/BOX/").content.decode())
    assert "Next on its route: step 10, Gauge, at TEST." in page
    sent = {
        "do": "record_batch", "station": "TEST", "quantity": "200", "good": "195", "reason": "bore too wide",
        "entered": f"{moment(3):%Y-%m-%dT%H:%M}",
    }  # fmt: skip
    assert visitor.post("/material/containers/BOX/", {**sent, "good": "201"}).status_code == 409
    assert visitor.post("/material/containers/BOX/", sent).status_code == 302
    page = text_of(visitor.get("/containers/BOX/").content.decode())
    assert "nothing: it has passed every step" in page and "bore too wide" in page
    (row,) = rows_of(visitor.get("/containers/BOX/?csv=batches"))
    assert (row["In"], row["Good"], row["Scrapped"], row["Result"]) == ("200", "195", "5", "passed")
    link = f"/corrections/batchpass/{BatchPass.objects.get().pk}/"
    assert link in visitor.get("/containers/BOX/").content.decode()
    assert visitor.post(link, {"reason": "another box"}).status_code == 302
    assert "another box" in text_of(visitor.get("/containers/BOX/").content.decode())


def test_a_lot_that_was_stopped_says_why(visitor: Client) -> None:
    plant = Plant()
    Step.objects.create(part=plant.fuse, number=10, name="Gauge").stations.add(plant.test)
    box = plant.reel("BOX", plant.fuse, quantity=Decimal(200))
    plant.do(place_holds, 2, targets=[box], reason="porous")
    sent = {
        "do": "record_batch", "station": "TEST", "quantity": "200", "good": "200",
        "entered": f"{moment(3):%Y-%m-%dT%H:%M}",
    }  # fmt: skip
    assert visitor.post("/material/containers/BOX/", sent).status_code == 302
    (row,) = rows_of(visitor.get("/containers/BOX/?csv=batches"))
    assert row["Result"].startswith("not passed.") and "porous" in row["Result"]


def test_nothing_is_put_into_a_rack_by_who_may_not(client: Client) -> None:
    plant = Plant()
    rack = plant.do(define_rack, key="RACK", slots=3)
    plant.do(put_in_rack, 1, rack=rack, unit=plant.boards()[0])
    client.force_login(make_user("eve", roles=["auditor"]))
    page = client.get("/racks/RACK/").content.decode()
    assert "1 of 3 slots is taken" in text_of(page) and 'name="do"' not in page
    assert client.post("/racks/RACK/", {"do": "start_carrier", "station": "INSERT"}).status_code in (403, 409)
    assert not Pass.objects.exists()
    with pytest.raises(Exception, match="may not"):
        plant.do(start_carrier, 2, carrier=rack, station=plant.insertion, by=make_user("zoe", roles=["auditor"]).person)
    with pytest.raises(Exception, match="is a rack"):
        plant.do(part_panel, 3, panel=rack)
