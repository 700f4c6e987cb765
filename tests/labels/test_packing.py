"""Labels of cartons and pallets, and packing lists: read back by independent readers, the same as PDF and as CSV."""

from __future__ import annotations

import csv
from io import StringIO

import pypdfium2
import pytest
from django.test import Client

from tests.factories import make_part
from tests.floor.test_cartons import Dock
from tests.labels.test_labels import pages, read
from tests.web.conftest import make_user
from trace.core.keys import code_of, label_text, read_code, read_label
from trace.engineering.models import Part
from trace.engineering.operations import PackingRow
from trace.floor.models import Customer, Shipment
from trace.floor.operations.cartons import PackedContent, close_carton, open_carton
from trace.floor.operations.dispatch import load_shipment, pack_units, send_shipment, unload_shipment
from trace.floor.operations.pallets import stack_pallet, start_pallet
from trace.labels.cartons import make_carton_label, make_pallet_label
from trace.labels.packing_list import list_csv_rows, make_packing_list, print_packing_list
from trace.labels.paper import SIZES, print_singles

pytestmark = pytest.mark.django_db


def text_of(pdf: bytes) -> list[str]:
    """The words of each page, as another program reads them."""
    document = pypdfium2.PdfDocument(pdf)
    texts = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    return texts


def test_a_cartons_label_says_what_is_in_it_and_whether_it_may_be_loaded(settings) -> None:
    settings.LABEL_URL = "HTTPS://TRACE.EXAMPLE/"
    dock = Dock(2, rule=True)
    plant = dock.plant
    box = plant.do(pack_units, 10, carton="CT-1", units=dock.products)
    assert make_carton_label(box).lines == ("2 × PRODUCT", "OPEN: not to be loaded", "Product")
    contents = [PackedContent(dock.manual, 2)]
    plant.do(close_carton, 11, carton=box, contents=contents)
    pallet = plant.do(start_pallet, 11, key="PAL-1")
    assert make_pallet_label(pallet).lines == ("Empty",)
    plant.do(stack_pallet, 12, pallet=pallet, cartons=[box])
    told = {"shipment": "SH-1", "customer": dock.customer, "pallets": [pallet]}
    shipment = plant.do(load_shipment, 13, **told)
    for label, kind, key, lines in (
        (
            make_carton_label(box),
            "carton",
            "CT-1",
            ("2 × PRODUCT", "and 2 counted in", "Closed 2026-03-02 06:11", "For A customer", "Product"),
        ),
        (make_pallet_label(pallet), "pallet", "PAL-1", ("1 carton", "2 × PRODUCT", "For A customer")),
    ):
        assert label.lines == lines
        for size in SIZES:
            (page,) = pages(print_singles([label], size))
            (code,) = read(page)
            assert read_label(code) == key and read_code(code) in ((kind, label_text(key)), None)
            if size == "100x50":
                assert code == code_of(kind, key) and read_code(code) == (kind, label_text(key))
    plant.do(unload_shipment, 14, shipment=shipment, pallets=[pallet], reason="x")
    assert "For A customer" not in make_pallet_label(pallet).lines


def test_a_packing_list_is_the_same_as_pdf_and_as_csv_and_starts_no_formula(client: Client) -> None:
    dock = Dock(3, rule=True)
    plant, (first, second, third) = dock.plant, dock.products
    Part.objects.filter(pk=dock.manual.pk).update(name="=HYPERLINK(1)")
    Customer.objects.filter(pk=dock.customer.pk).update(name="+Nord & Søn")
    customer = Customer.objects.get(pk=dock.customer.pk)
    one = plant.do(pack_units, 10, carton="CT-1", units=[first, second])
    two = plant.do(pack_units, 10, carton="CT-2", units=[third])
    contents = [PackedContent(dock.manual, 2)]
    plant.do(close_carton, 11, carton=one, contents=contents)
    plant.do(close_carton, 11, carton=two, contents=contents, short="the last one")
    pallet = plant.do(start_pallet, 11, key="PAL-1")
    plant.do(stack_pallet, 12, pallet=pallet, cartons=[two])
    empty = Shipment.objects.create(key="SH-0", customer=customer, opened=1)
    assert "Nothing is on it." in text_of(print_packing_list(make_packing_list(empty)))[0]
    shipment = plant.do(load_shipment, 13, shipment="SH-1", customer=customer, pallets=[pallet], cartons=[one])
    made = make_packing_list(shipment)
    assert made.totals == "3 units in 2 cartons on 1 pallet"
    assert "Not sent yet" in text_of(print_packing_list(made))[0]
    plant.do(send_shipment, 14, shipment=shipment)

    client.force_login(make_user())
    response = client.get("/shipments/SH-1/packing-list.pdf")
    (page,) = pages(response.content)
    assert read(page) == [label_text("SH-1")]
    (text,) = text_of(response.content)
    sent = client.get("/shipments/SH-1/packing-list.csv").content.decode("utf-8-sig")
    rows = list(csv.DictReader(StringIO(sent)))
    assert [(row["pallet"], row["carton"], row["part"], row["serial"], row["quantity"]) for row in rows] == [
        ("PAL-1", "CT-2", "PRODUCT", third.key, "1"),
        ("PAL-1", "CT-2", "MANUAL", "", "2"),
        ("", "CT-1", "PRODUCT", first.key, "1"),
        ("", "CT-1", "PRODUCT", second.key, "1"),
        ("", "CT-1", "MANUAL", "", "2"),
    ]
    assert {row["name"] for row in rows} == {"Product", "'=HYPERLINK(1)"}  # OWASP, “CSV Injection”
    assert {(row["customer_name"], row["departed"]) for row in rows} == {("'+Nord & Søn", "2026-03-02T06:14:00+00:00")}
    for name in ("pallet", "carton", "part", "serial"):
        assert all(row[name] in text for row in rows)
    assert "+Nord & Søn" in text and "Sent 2026-03-02 06:14" in text
    assert client.get("/shipments/NONE/packing-list.csv").status_code == 404


def test_a_long_packing_list_goes_on_for_pages_and_loses_no_serial() -> None:
    dock = Dock(1)
    plant = dock.plant
    boards = [plant.finish(board, 1) for board in plant.boards(4)]
    box = plant.carton(boards, 10, "CT-1")
    shipment = plant.do(load_shipment, 11, shipment="SH-1", customer=dock.customer, cartons=[box])
    made = make_packing_list(shipment)
    serials = tuple(f"SN-{number:07}" for number in range(900))
    (line,) = made.lines
    long = type(made)(shipment, [type(line)("", "CT-1", line.part, serials, len(serials))])
    texts = text_of(print_packing_list(long))
    assert len(texts) > 2 and all(f"page {number} of {len(texts)}" in text for number, text in enumerate(texts, 1))
    assert all(serial in "".join(texts) for serial in serials)
    assert len(list(list_csv_rows(long))) == 900


def test_what_was_counted_in_leaves_the_label_when_the_carton_is_opened() -> None:
    dock = Dock(1)
    dock.rule(PackingRow(dock.plant.product, 1), PackingRow(make_part("BOOK"), 1))
    box = dock.plant.do(pack_units, 10, carton="CT-1", units=dock.products)
    contents = [PackedContent(Part.objects.get(key="BOOK"), 1)]
    dock.plant.do(close_carton, 11, carton=box, contents=contents)
    assert "and 1 counted in" in make_carton_label(box).lines
    dock.plant.do(open_carton, 12, carton=box, reason="x")
    assert make_carton_label(box).lines == ("1 × PRODUCT", "OPEN: not to be loaded", "Product")
