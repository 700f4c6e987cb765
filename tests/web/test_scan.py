"""The scan line: everything opens by its key, label text is checked, what is unknown gets suggestions."""

from __future__ import annotations

import pytest
from django.test import Client, override_settings

from tests.factories import Plant
from tests.web.conftest import Suspects
from trace.core.keys import check_character, code_of, label_text
from trace.floor.operations.orders import release_order
from trace.material.operations.stock import define_supplier
from trace.web.scan import SUGGESTIONS, read_scan, slips_of, suggest

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("K77", "/lots/K77/"),
        ("  k77 ", "/lots/K77/"),
        ("2406/a", "/lots/K77/"),
        ("BAD", "/containers/BAD/"),
        ("INSERT", "/stations/INSERT/"),
        ("RES", "/parts/RES/"),
        ("CT-1", "/cartons/CT-1/"),
        ("SH-1", "/shipments/SH-1/"),
        ("ANN", "/people/ANN/"),
        ("SLOT-R", "/feeds/SLOT-R/"),
        ("SETUP", "/set-ups/SETUP/"),
        ("ACME", "/suppliers/ACME/"),
        ("NORD", "/customers/NORD/"),
        (label_text("K77"), "/lots/K77/"),
        (label_text("BAD").lower(), "/containers/BAD/"),
        ("]Q3K77", "/lots/K77/"),
        ("]C1" + label_text("BAD"), "/containers/BAD/"),
    ],
)
def test_what_is_scanned_opens(visitor: Client, suspects: Suspects, text: str, address: str) -> None:
    response = visitor.get("/scan/", {"q": text}, follow=True)
    assert response.redirect_chain[-1][0] == address
    assert response.status_code == 200


def test_units_and_orders_open_too(visitor: Client, suspects: Suspects) -> None:
    unit = suspects.product
    assert visitor.get("/scan/", {"q": unit.key})["Location"] == f"/units/{unit.key}/"
    assert visitor.get("/scan/", {"q": unit.order.key})["Location"] == f"/orders/{unit.order.key}/"


def test_a_wrong_check_character_says_so_and_suggests_the_key_it_fits(visitor: Client, suspects: Suspects) -> None:
    misread = "K76." + label_text("K77")[-1]
    response = visitor.get("/scan/", {"q": misread})
    page = response.content.decode()
    assert response.status_code == 404
    assert "The check character of K76 should be" in page
    assert response.context["reading"].suggestions[0].key == "K77"


def test_one_number_of_two_suppliers_is_a_choice(visitor: Client, suspects: Suspects) -> None:
    plant: Plant = suspects.plant
    other = plant.do(define_supplier, key="OTHER", name="Other & Co")
    plant.lot("K99", supplier=other, number="2406/A")
    response = visitor.get("/scan/", {"q": "2406/A"})
    page = response.content.decode()
    assert response.status_code == 200
    assert "/lots/K77/" in page and "/lots/K99/" in page and "Other &amp; Co" in page


def test_unknown_says_so_and_suggests(visitor: Client, suspects: Suspects) -> None:
    response = visitor.get("/scan/", {"q": "SLOT-T"})
    page = response.content.decode()
    assert response.status_code == 404
    assert "Nothing in this plant is called “SLOT-T”." in page
    assert "/feeds/SLOT-R/" in page and "/feeds/SLOT-C/" in page


@pytest.mark.parametrize(
    "text", ["", "   ", "\x00\x1d", "<script>alert(1)</script>", "'; DROP TABLE trace_lot", "é" * 200]
)
def test_nonsense_is_answered_with_a_sentence(visitor: Client, suspects: Suspects, text: str) -> None:
    response = visitor.get("/scan/", {"q": text})
    assert response.status_code == 404
    assert '<div class="stop" role="alert">' in response.content.decode()
    assert "<script>alert" not in response.content.decode()


def test_leading_zeros_may_be_left_out(visitor: Client, suspects: Suspects) -> None:
    suspects.plant.do(
        release_order,
        50,
        key="WO-Z",
        part=suspects.plant.board,
        site=suspects.plant.site,
        serials=["QV-00145", "QV-01450", "QV-00007", "QV-0007"],
    )
    check = check_character("QV-00145")
    wrong = "A" if check != "A" else "B"
    for text in ("QV-145", "qv-0145", f"qv-145.{check}"):
        assert visitor.get("/scan/", {"q": text})["Location"] == "/units/QV-00145/", text
    assert visitor.get("/scan/", {"q": f"QV-145.{wrong}"}).status_code == 404
    several = visitor.get("/scan/", {"q": "QV-7"})
    assert {found.key for found in several.context["reading"].found} == {"QV-00007", "QV-0007"}
    assert "2 things go by that name." in several.content.decode()


@pytest.mark.parametrize("text", ["2605", "acme", "Acm"])
def test_a_lot_is_suggested_by_its_date_code_and_its_supplier(visitor: Client, suspects: Suspects, text: str) -> None:
    reading = visitor.get("/scan/", {"q": text}, follow=True).context.get("reading")
    suggested = [*reading.suggestions, *reading.found] if reading else suggest(text)
    assert ("lot", "K77") in {(found.kind, found.key) for found in suggested}


def test_a_slip_of_each_kind_is_found() -> None:
    found = slips_of("AB-12")
    assert {"AB-13", "AB-1", "AB-122", "BA-12", "AB12"} <= found
    assert "AB-12" not in found


def test_suggestions_are_few(suspects: Suspects) -> None:
    assert len(suggest("SN")) <= SUGGESTIONS


def test_a_wrong_check_character_offers_the_key_as_it_was_read(suspects: Suspects) -> None:
    key = suspects.product.key
    wrong = next(c for c in "AB" if c != check_character(key))
    assert suggest(f"{key}.{wrong}")[0].key == key


@override_settings(LABEL_URL="HTTPS://TRACE.PLANT.EXAMPLE/")
@pytest.mark.parametrize("change", [str.upper, str.lower, "]Q3{}".format])
def test_the_link_of_a_label_opens_what_it_is_on(visitor: Client, suspects: Suspects, change) -> None:
    suspects.plant.do(define_supplier, 60, key="BAD", name="A namesake")
    assert len(read_scan("BAD").found) == 2
    code = change(code_of("container", "BAD"))
    assert visitor.get("/scan/", {"q": code})["Location"] == "/containers/BAD/"


def test_a_phone_that_opens_the_link_comes_to_the_same_page(visitor: Client, suspects: Suspects) -> None:
    for plant in ("HTTPS://TRACE.PLANT.EXAMPLE/", ""):
        with override_settings(LABEL_URL=plant):
            path = f"/C/{label_text('BAD')}"
            assert visitor.get(path, follow=True).redirect_chain[-1][0] == "/containers/BAD/"


@override_settings(LABEL_URL="HTTPS://TRACE.PLANT.EXAMPLE/")
@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("HTTPS://OTHER.EXAMPLE/C/BAD", "Nothing in this plant is called “HTTPS://OTHER.EXAMPLE/C/BAD”"),
        ("HTTPS://TRACE.PLANT.EXAMPLE/C/BAX", "Nothing in this plant is called “BAX”"),
        ("HTTPS://TRACE.PLANT.EXAMPLE/C/BAD.0", "The check character of BAD should be"),
        ("HTTPS://TRACE.PLANT.EXAMPLE/C/K77", "Nothing in this plant is called “K77”"),  # that is a lot
    ],
)
def test_a_link_that_names_no_container_here_is_not_found(suspects: Suspects, text: str, says: str) -> None:
    reading = read_scan(text)
    assert reading.problem.startswith(says) and reading.found == []
