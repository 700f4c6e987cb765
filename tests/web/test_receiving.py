"""Receiving on pages: by label and by form, what stops it, what is expected; a label in any scan line."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.test import Client

from tests.factories import Plant, moment
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import now
from trace.core.permissions import Role
from trace.exchange.supplier_label import EOT, GS, RS, write_label
from trace.holds.models import Hold
from trace.holds.operations import place_holds
from trace.material.models import Container, Delivery, Receipt
from trace.material.operations.deliveries import ExpectedRow, expect_delivery
from trace.material.operations.sources import approve_source
from trace.material.operations.stock import define_supplier

pytestmark = pytest.mark.django_db

RECEIVE = "/material/receive/"


@pytest.fixture
def plant(db: None) -> Plant:
    plant = Plant()
    plant.do(approve_source, part=plant.resistor, supplier=plant.supplier, number="A-1")
    return plant


@pytest.fixture
def handler(client: Client) -> Client:
    client.force_login(make_user("han", roles=[Role.HANDLER]))
    return client


def label(package: str = "PK-1", lot: str = "BF1103", **more: str) -> str:
    fields = {"1P": "A-1", "Q": "500", "10D": "2605", "1T": lot, "4L": "DE", "K": "4500123", "3S": package}
    return write_label([*{**fields, **{name.lstrip("_"): value for name, value in more.items()}}.items()])


def page_of(client: Client, text: str, **more: str) -> str:
    return text_of(client.get(RECEIVE, {"q": text, **more}).content.decode())


def confirm(client: Client, text: str, **more: Any) -> Any:
    form = {"label": text, "supplier": "ACME", "kind": "reel", "quantity-1": "500", **more}
    return client.post(RECEIVE, form)


def test_a_label_is_said_in_a_sentence_and_received_by_one_confirmation(handler: Client, plant: Plant) -> None:
    page = page_of(handler, label())
    assert "Res RES from ACME Acme" in page
    assert "500 of lot BF1103, date code 2605 (week 5 of 2026). Package PK-1. Order 4500123. Made in DE." in page
    assert not Receipt.objects.exists()
    answer = confirm(handler, label(), **{"quantity-1": "480", "kind": "bag", "store": "A1"})
    receipt = Receipt.objects.get()
    assert answer.headers["Location"] == f"{RECEIVE}?done={receipt.pk}&supplier=ACME&kind=bag&store=A1"
    assert receipt.containers.get().quantity == 480 and receipt.by.key == "U-HAN"
    done = handler.get(answer.headers["Location"])
    assert "Received: container BF1103-1 with 480 of lot BF1103." in text_of(done.content.decode())
    assert 'name="store" value="A1"' in done.content.decode()
    (row,) = rows_of(handler.get(f"{RECEIVE}?csv=receipts"))
    assert (row["Container"], row["Supplier’s package"], row["Source"]) == ("BF1103-1", "PK-1", "approved")
    container = text_of(handler.get("/containers/BF1103-1/").content.decode())
    assert "Supplier’s package PK-1" in container and "Order 4500123" in container and "origin DE" in container


def test_what_was_received_is_said_and_not_received_again(handler: Client, plant: Plant) -> None:
    confirm(handler, label())
    page = page_of(handler, label())
    assert "Package PK-1 was received at" in page and "by U-Han, as BF1103-1." in page
    assert "Receive it" not in page
    assert confirm(handler, label()).status_code == 409 and Container.objects.count() == 1


def test_what_holds_and_expiries_of_its_lot_say_is_said_before_it_is_received(handler: Client, plant: Plant) -> None:
    confirm(handler, label())
    lot = Container.objects.get().lot
    plant.do(place_holds, targets=[lot], reason="Leads are oxidised.")
    page = page_of(handler, label("PK-2", _14D="20260101"))
    assert "Lot BF1103 is held: Leads are oxidised." in page and "The last day of lot BF1103 is over" in page
    assert "is held" not in page_of(handler, label("PK-2", "OTHER"))


def test_another_with_the_same_label_must_be_said_to_be_one(handler: Client, plant: Plant) -> None:
    text = write_label([("1P", "A-1"), ("Q", "500"), ("1T", "BF1103")])
    assert confirm(handler, text).status_code == 302
    answer = handler.get(RECEIVE, {"q": text})
    assert "Receive another with the same label" in answer.content.decode()
    assert answer.context["copy"] == 2
    assert confirm(handler, text, copy="2").status_code == 302
    assert confirm(handler, text, copy="2").status_code == 409
    assert [receipt.copy for receipt in Receipt.objects.order_by("pk")] == [1, 2]


def test_a_source_that_is_not_approved_stops_a_handler_and_not_the_quality_engineer(
    client: Client, plant: Plant
) -> None:
    plant.do(define_supplier, key="BETA", name="Beta")
    text = label(V="Beta")
    client.force_login(make_user("han", roles=[Role.HANDLER]))
    page = page_of(client, text)
    assert "Beta is no approved source under the number A-1" in page and "into quarantine" in page
    assert "Why it is taken in" not in page
    told = {"supplier": "BETA", "do": "quarantine", "part": "RES", "reason": "The line waits for it."}
    assert confirm(client, text, **told).status_code == 403
    client.force_login(make_user("quinn", roles=[Role.QUALITY]))
    assert "Why it is taken in" in page_of(client, text)
    assert confirm(client, text, **{**told, "reason": " "}).status_code == 409
    assert confirm(client, text, **{**told, "part": "NONE"}).status_code == 404
    assert not Container.objects.exists()
    answer = confirm(client, text, **told)
    assert "It is held in quarantine." in text_of(client.get(answer.headers["Location"]).content.decode())
    assert Hold.objects.get().target_key == "BF1103"
    assert "not approved: received into quarantine" in client.get("/containers/BF1103-1/").content.decode()
    assert confirm(client, label("PK-2")).status_code == 403  # a quality engineer does not book goods in


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (f"[)>06{GS}1PA-1", "envelope is damaged"),
        (f"[)>{RS}05{GS}1PA-1{RS}{EOT}", "GS1 application identifiers"),
        (f"[)>{RS}06{GS}1PA-1{GS}Qfive{RS}{EOT}", "is no quantity"),
        ("[)>061PA-1Q500", "separators between the label’s fields are missing"),
    ],
)
def test_a_damaged_label_is_explained_and_leads_to_the_form(handler: Client, plant: Plant, text: str, why: str) -> None:
    answer = handler.get(RECEIVE, {"q": text})
    assert answer.status_code == 409 and why in answer.content.decode()
    assert f"{RECEIVE}?form=yes" in answer.content.decode()


def test_a_scanner_that_sends_other_separators_is_understood_and_told_of(handler: Client, plant: Plant) -> None:
    text = label().replace(RS, "^^").replace(GS, "^]").replace(EOT, "^D")
    assert "The scanner sent ^^ and ^] and ^D for the label’s separators" in page_of(handler, text)
    assert confirm(handler, text).status_code == 302
    assert "was received at" in page_of(handler, label())


def test_a_slash_in_a_lot_number_is_asked_about(handler: Client, plant: Plant) -> None:
    text = label(lot="2406/A")
    answer = handler.get(RECEIVE, {"q": text})
    assert "Is 2406/A one lot?" in answer.content.decode() and 'name="quantity-1"' not in answer.content.decode()
    assert "parted=no" in answer.content.decode() and "parted=yes" in answer.content.decode()
    assert 'name="quantity-2"' in handler.get(RECEIVE, {"q": text, "parted": "yes"}).content.decode()
    assert confirm(handler, text, parted="yes", **{"quantity-1": "300", "quantity-2": "200"}).status_code == 302
    assert set(Container.objects.values_list("lot__number", "quantity")) == {("2406", 300), ("A", 200)}
    assert confirm(handler, label("PK-2", "2406/A"), parted="no").status_code == 302
    assert Container.objects.filter(lot__number="2406/A").exists()


def test_who_sent_it_is_asked_where_the_label_leaves_it_open(handler: Client, plant: Plant) -> None:
    beta = plant.do(define_supplier, key="BETA", name="Beta")
    plant.do(approve_source, part=plant.resistor, supplier=beta, number="A-1")
    answer = handler.get(RECEIVE, {"q": label()})
    assert answer.context["incoming"].supplier is None
    assert [one.key for one in answer.context["suppliers"]] == ["ACME", "BETA"]
    assert handler.get(RECEIVE, {"q": label(), "supplier": "BETA"}).context["incoming"].supplier == beta
    assert handler.get(RECEIVE, {"q": label(V="beta")}).context["incoming"].supplier == beta
    assert confirm(handler, label(), supplier="").status_code == 409
    assert confirm(handler, label(), supplier="OWN").status_code == 409
    unknown = handler.get(RECEIVE, {"q": label(_1P="Z-9")})
    assert unknown.context["incoming"].supplier is None and unknown.context["incoming"].stop is None


@pytest.mark.parametrize(
    ("wrong", "status"), [({"quantity-1": "many"}, 400), ({"kind": "sack"}, 409), ({"store": "x" * 61}, 400)]
)
def test_what_was_typed_wrongly_is_said(handler: Client, plant: Plant, wrong: dict, status: int) -> None:
    answer = confirm(handler, label(), **wrong)
    assert answer.status_code == status and 'role="alert"' in answer.content.decode()
    assert not Container.objects.exists()


def test_a_package_without_a_label_is_received_by_the_form(handler: Client, plant: Plant) -> None:
    form = {
        "supplier": "ACME", "number": "A-1", "lot": "L7", "date_code": "2605", "expiry": "2027-01-31", "quantity": "",
        "package": "", "order": "4500123", "order_line": "10", "delivery": "D-9", "origin": "de", "kind": "box",
    }  # fmt: skip
    assert "From what is printed on its label" in handler.get(f"{RECEIVE}?form=yes").content.decode()
    answer = handler.post(RECEIVE, form)
    assert answer.headers["Location"].endswith("&form=yes")
    container = Container.objects.select_related("receipt", "lot").get()
    assert (container.kind, container.quantity, f"{container.lot.expiry}") == ("box", None, "2027-01-31")
    assert container.receipt and (container.receipt.origin, container.receipt.label) == ("DE", "")
    for wrong in ({"lot": ""}, {"expiry": "soon"}, {"number": "A-2"}, {"origin": "D1"}, {"supplier": "\0"}):
        refused = handler.post(RECEIVE, {**form, **wrong})
        assert refused.status_code == (400 if "expiry" in wrong else 409), wrong
        assert 'role="alert"' in refused.content.decode(), wrong
    assert Container.objects.count() == 1


def test_a_label_lands_in_any_scan_line(handler: Client, plant: Plant) -> None:
    answer = handler.get("/scan/", {"q": label()}, follow=True)
    assert answer.redirect_chain[-1][0].startswith(RECEIVE) and "500 of lot BF1103" in text_of(answer.content.decode())
    confirm(handler, label())
    for text in (label(), "pk-1", "]d1" + label()):
        assert handler.get("/scan/", {"q": text}).headers["Location"] == "/containers/BF1103-1/"
    assert handler.get(RECEIVE, {"q": "BF1103-1"}).headers["Location"] == "/scan/?q=BF1103-1"
    handler.force_login(make_user("op", roles=[Role.OPERATOR]))
    assert handler.get("/scan/", {"q": label()}).headers["Location"] == "/containers/BF1103-1/"
    unknown = handler.get("/scan/", {"q": label("PK-2")})
    assert unknown.status_code == 404 and "not on record as received" in unknown.content.decode()
    damaged = handler.get("/scan/", {"q": f"[)>06{GS}P1"})
    assert damaged.status_code == 404 and "damaged" in damaged.content.decode()
    assert handler.get(RECEIVE).status_code == 403


# Deliveries ----------------------------------------------------------------------------------------------------------

LIST = "Package;Part no;Lot;DC;Qty;PO\nPK-1;A-1;BF1103;2605;500;4500123\nPK-2;A-1;BF1103;2605;500;4500123\n"
DELIVERIES = "/material/deliveries/"


def bring_in(client: Client, content: str = LIST, **more: str) -> Any:
    form = {"supplier": "ACME", "number": "D-9", "content": content, "do": "bring in", **more}
    return client.post(DELIVERIES, form)


def test_a_shipping_list_is_looked_at_brought_in_and_scanned_off(handler: Client, plant: Plant) -> None:
    look = text_of(bring_in(handler, do="look").content.decode())
    assert "2 lines read. Nothing is changed yet" in look and not Delivery.objects.exists()
    assert bring_in(handler).headers["Location"] == f"{DELIVERIES}ACME-D-9/"
    page = text_of(handler.get(f"{DELIVERIES}ACME-D-9/").content.decode())
    assert "announced 2 lines under D-9. It is on its way." in page and "are missing" not in page
    assert "It is on the shipping list of delivery ACME-D-9: 500 of lot BF1103." in page_of(handler, label())
    confirm(handler, label())
    assert "on none of this supplier’s open shipping lists" in page_of(handler, label("PK-7"))
    confirm(handler, label("PK-7"), delivery="D-9")
    page = text_of(handler.get(f"{DELIVERIES}ACME-D-9/").content.decode())
    assert "announced 2 lines under D-9. 1 came. 1 is missing. 1 package came that is not on the list." in page
    (row,) = rows_of(handler.get(f"{DELIVERIES}?csv=deliveries"))
    assert (row["Lines"], row["Came"], row["Missing"], row["State"]) == ("2", "1", "1", "open")
    assert handler.post(f"{DELIVERIES}ACME-D-9/", {"remark": ""}).status_code == 409
    assert handler.post(f"{DELIVERIES}ACME-D-9/", {"remark": "The carrier lost it."}).status_code == 302
    assert "The carrier lost it." in handler.get(f"{DELIVERIES}ACME-D-9/").content.decode()
    assert handler.get("/scan/?q=ACME-D-9").headers["Location"] == f"{DELIVERIES}ACME-D-9/"
    assert "/material/deliveries/ACME-D-9/" in handler.get("/containers/BF1103-1/").content.decode()
    assert handler.get(f"{DELIVERIES}NONE/").status_code == 404


@pytest.mark.parametrize(
    ("content", "lines"),
    [
        (LIST.replace("PK-2;A-1", "PK-1;A-1"), ["Line 3, column Package"]),
        (LIST.replace("PK-2;A-1", "PK-2;A-9"), ["Line 3, column Part no"]),
        (
            LIST.replace(";500;", ";lots;", 1).replace("BF1103;2605;500", ";2605;500"),
            ["Line 2, column Qty", "Line 3, column Lot"],
        ),
        ("Package;Part no\nP;A-1\n", ["Line 1: No column gives the lot", "Line 1: No column gives the quantity"]),
        ("", ["Line 1: The file is empty"]),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_shipping_list_is_said_line_by_line(
    handler: Client, plant: Plant, content: str, lines: list[str]
) -> None:
    answer = bring_in(handler, content)
    assert answer.status_code == 409
    assert [line for line in lines if line not in answer.content.decode()] == []
    assert not Delivery.objects.exists()


def test_a_shipping_list_of_nobody_is_refused(handler: Client, plant: Plant) -> None:
    assert bring_in(handler, supplier="").status_code == 409
    assert bring_in(handler, number="").status_code == 409
    handler.force_login(make_user("aud", roles=[Role.AUDITOR]))
    assert bring_in(handler).status_code == 403
    assert not Delivery.objects.exists()


def test_the_home_of_the_area_has_what_one_may_do(handler: Client, plant: Plant) -> None:
    rows = [ExpectedRow("A-1", "L1", Decimal(1))]
    plant.do(expect_delivery, supplier=plant.supplier, number="D-1", rows=rows)
    page = handler.get("/material/").content.decode()
    assert RECEIVE in page and "1 delivery is expected" in page and "/material/" in handler.get("/").content.decode()
    handler.force_login(make_user("op", roles=[Role.OPERATOR]))
    assert RECEIVE not in handler.get("/material/").content.decode()
    assert moment() < now()
