"""Pages of orders: released, followed, printed; the label of a unit, and the scan line on all its names."""

from __future__ import annotations

from datetime import date

import pypdfium2
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, moment
from tests.labels.test_travellers import images, read, texts
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import telling
from trace.core.keys import code_of, label_text
from trace.core.permissions import Role
from trace.engineering.operations import set_serial_rule
from trace.floor.models import Alias, Unit, WorkOrder
from trace.floor.operations.aliases import record_serial, replace_label
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import start_pass

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(db, settings) -> Plant:
    settings.LABEL_URL = "HTTPS://TRACE.PLANT.EXAMPLE/"
    plant = Plant()
    plant.do(set_serial_rule, number="BOARD", prefix="CB-", digits=3)
    return plant


def order(plant: Plant, quantity: int = 3, key: str = "WO-1", **told) -> WorkOrder:
    return plant.do(release_order, 5, key=key, part=plant.board, site=plant.site, quantity=quantity, **told)


def page_of(client: Client, address: str) -> str:
    return text_of(client.get(address).content.decode())


# Orders --------------------------------------------------------------------------------------------------------------


def test_an_order_is_put_off_closed_and_opened_again_on_its_page(visitor: Client, plant: Plant) -> None:
    made = order(plant)
    answer = visitor.post("/orders/WO-1/", {"do": "reschedule_order", "due": "2999-12-24"})
    assert answer.status_code == 302 and "by 24 December 2999" in page_of(visitor, answer["Location"])
    answer = visitor.post("/orders/WO-1/", {"do": "close_order", "reason": ""})
    assert answer.status_code == 400 and "Reason" in answer.content.decode()
    answer = visitor.post("/orders/WO-1/", {"do": "close_order", "reason": "The customer took less."})
    page = page_of(visitor, answer["Location"])
    assert "Closed on" in page and "The customer took less. None of its units is begun any more." in page
    (row,) = rows_of(visitor.get("/orders/?csv=orders"))
    assert row["State"] == "closed"
    assert "closed" in text_of(visitor.post("/station/INSERT/", {"told": made.units.first().key}).content.decode())
    assert visitor.post("/orders/WO-1/", {"do": "close_order", "reason": "Again."}).status_code == 409
    assert visitor.post("/orders/WO-1/", {"do": "reopen_order", "reason": "It takes more."}).status_code == 302
    assert WorkOrder.objects.get().closed is None
    visitor.force_login(make_user("olga", roles=[Role.OPERATOR]))
    assert 'value="close_order"' not in visitor.get("/orders/WO-1/").content.decode()


def test_an_order_is_released_on_its_page(visitor: Client, plant: Plant) -> None:
    page = page_of(visitor, "/orders/new/?part=BOARD")
    assert "BOARD Board (next serial CB-001)" in page and "PRODUCT Product (no serial rule: give the serials)" in page
    sent = {"key": "wo-7", "part": "BOARD", "quantity": "2", "due": "2999-12-24"}
    answer = visitor.post("/orders/new/", sent)
    assert answer["Location"] == "/orders/WO-7/?released"
    assert WorkOrder.objects.get().due == date(2999, 12, 24)
    assert "It is released: print its travellers or labels" in page_of(visitor, answer["Location"])
    for wrong, says in (
        ({"key": "wo-7"}, "WO-7 is already the key of another work order."),
        ({"key": "WO-8", "quantity": "two"}, "Quantity: A valid integer is required."),
        ({"key": "WO-8", "serials": "X-1"}, "serials and a quantity of 2 beside them"),
        ({"key": "WO-8", "part": "NONE"}, "No part has the key NONE."),
        ({"key": "WO-8", "quantity": ""}, "An order is for one unit or more."),
        ({"key": "WO-8", "due": "soon"}, "Due: "),
    ):
        answer = visitor.post("/orders/new/", {**sent, **wrong})
        assert answer.status_code in (400, 404, 409), wrong
        assert says in text_of(answer.content.decode())
    given = {"key": "WO-9", "part": "PRODUCT", "serials": f"P-1\n{label_text('P-2')}\n"}
    assert visitor.post("/orders/new/", given).status_code == 302
    assert list(WorkOrder.objects.get(key="WO-9").units.values_list("key", flat=True)) == ["P-1", "P-2"]


def test_only_a_planner_releases(client: Client, plant: Plant) -> None:
    client.force_login(make_user(roles=["operator"]))
    assert client.get("/orders/new/").status_code == 403
    order(plant)
    assert "Release an order" not in page_of(client, "/orders/") and "WO-1" in page_of(client, "/orders/")


def test_orders_are_open_late_or_done(visitor: Client, plant: Plant) -> None:
    assert "No order was released yet." in page_of(visitor, "/orders/")
    made = order(plant, 2, due=date(2026, 3, 9))
    order(plant, 1, "WO-2")
    for unit in made.units.all():
        plant.finish(unit, 10 + 5 * unit.pk % 2)
    order(plant, 1, "WO-3", due=date(2026, 3, 9))
    with telling(moment(24 * 60 * 30)):
        assert "2 of the 3 on record are open, 1 of them late." in page_of(visitor, "/orders/")
        rows = {row["Order"]: row for row in rows_of(visitor.get("/orders/?csv=orders"))}
        assert {key: (row["State"], row["Finished"], row["Units"]) for key, row in rows.items()} == {
            "WO-1": ("done", "2", "2"), "WO-2": ("open", "0", "1"), "WO-3": ("late", "0", "1"),
        }  # fmt: skip
        assert [row["Order"] for row in rows_of(visitor.get("/orders/?csv=orders&orders-sort=-through"))][0] == "WO-1"
        assert len(rows_of(visitor.get("/orders/?csv=open"))) == 2


def test_an_orders_page_says_how_far_it_is_and_each_number_leads_to_its_units(visitor: Client, plant: Plant) -> None:
    made = order(plant, 4)
    one, two, three, _ = made.units.order_by("pk")
    plant.finish(one, 10)
    plant.run(two, plant.insertion, 20, 21, outcome="failed")
    plant.do(start_pass, 25, unit=three, station=plant.insertion)
    page = page_of(visitor, "/orders/WO-1/")
    assert "1 of its 4 units of Board has come through, 3 are to be finished." in page
    assert "1 inside a station, 1 finished, 1 on the way, 1 not started." in page
    content = visitor.get("/orders/WO-1/").content.decode()
    assert 'href="?stage=10&amp;is=failed#units"' in content and "?units-state=inside+a+station#units" in content
    for query, units in (
        ("stage=10&is=failed", [two]),
        ("stage=10&is=inside", [three]),
        ("stage=20&is=done", [one]),
        ("units-state=finished", [one]),
        ("stage=99&is=done", [*made.units.all()]),
        ("stage=10&is=nothing", [*made.units.all()]),
    ):
        rows = rows_of(visitor.get(f"/orders/WO-1/?{query}&csv=units"))
        assert {row["Serial"] for row in rows} == {unit.key for unit in units}, query
    assert "Of step 10, Step 10: failed." in page_of(visitor, "/orders/WO-1/?stage=10&is=failed")
    assert visitor.get("/orders/NONE/").status_code == 404


def test_queries_do_not_grow_with_the_units(visitor: Client, plant: Plant) -> None:
    def cost(address: str) -> int:
        with CaptureQueriesContext(connection) as queries:
            assert visitor.get(address).status_code == 200
        return len(queries)

    for key, quantity in (("WO-1", 15), ("WO-2", 40)):  # both enough for a filter
        for n, unit in enumerate(order(plant, quantity, key).units.all()):
            plant.run(unit, plant.insertion, 10 + n * 2, 11 + n * 2)
    for address in ("/orders/{}/", "/orders/{}/travellers.pdf", "/material/labels/?order={}"):
        assert cost(address.format("WO-2")) == cost(address.format("WO-1")) < 30, address
    few = cost("/orders/")
    for number in range(9):
        order(plant, 2, f"WO-1{number}")
    assert cost("/orders/") == few


# Travellers and labels -----------------------------------------------------------------------------------------------


def test_travellers_of_an_order(visitor: Client, plant: Plant) -> None:
    order(plant, 3)
    answer = visitor.get("/orders/WO-1/travellers.pdf?paper=A5")
    assert answer["Content-Type"] == "application/pdf" and "travellers-WO-1.pdf" in answer["Content-Disposition"]
    found = [read(page) for page in images(answer.content)]
    assert found == [[code_of("unit", f"CB-00{number}")] for number in (1, 2, 3)]
    for query, codes in (
        ("unit=CB-002", ["CB-002"]),
        ("from=3", ["CB-003"]),
    ):
        pages = images(visitor.get(f"/orders/WO-1/travellers.pdf?{query}").content)
        assert [read(page) for page in pages] == [[code_of("unit", code)] for code in codes]
    (sheet,) = texts(visitor.get("/orders/WO-1/travellers.pdf?for=order").content)
    assert "Traveller of an order" in sheet and "Serials: CB-001 to CB-003" in sheet
    for wrong in ("paper=A3", "from=4", "from=0", "from=x", "from=", "unit=CB-009", "unit=%00"):
        answer = visitor.get(f"/orders/WO-1/travellers.pdf?{wrong}")
        assert answer.status_code in (400, 404, 409), wrong


def test_labels_of_an_order_are_printed_and_of_containers_beside_them(visitor: Client, plant: Plant) -> None:
    made = order(plant, 3)
    plant.reel("REEL-1")
    plant.do(replace_label, 6, unit=made.units.get(key="CB-002"), reason="torn")
    page = visitor.get("/material/labels/?order=wo-1").content.decode()
    codes = "\n".join(label_text(f"CB-00{number}") for number in (1, 2, 3))
    assert codes in page and "single, 10 × 10 mm" in page and "7 × 27 of 25.4 × 10 mm" in page
    sent = {"codes": f"{codes}\nCB-002-L2\nREEL-1\n{code_of('container', 'REEL-1')}", "paper": "50x15"}
    pdf = visitor.post("/material/labels/", sent).content
    codes_found = [read(page) for page in images(pdf, 300)]
    units = [[code_of("unit", code)] for code in ("CB-001", "CB-002-L2", "CB-003", "CB-002-L2")]
    assert codes_found == [*units, *[[code_of("container", "REEL-1")]] * 2]
    document = pypdfium2.PdfDocument(pdf)
    assert [round(side / 72 * 25.4) for side in document[0].get_size()] == [50, 15]
    document.close()
    answer = visitor.post("/material/labels/", {"codes": f"NONE\n{code_of('container', 'CB-001')}", "paper": "10x10"})
    assert "No container or unit is labelled NONE, CB-001." in text_of(answer.content.decode())


def test_a_units_label_is_replaced_and_printed(visitor: Client, plant: Plant) -> None:
    order(plant, 2)
    assert "Its first, which says CB-001." in page_of(visitor, "/units/CB-001/label/")
    answer = visitor.post("/units/CB-001/label/", {"do": "replace_label", "reason": "scratched", "label": ""})
    assert answer["Location"] == "/units/CB-001/label/?done=replace_label"
    page = page_of(visitor, answer["Location"])
    assert "Recorded: its label is replaced." in page and f"The one that says {label_text('CB-001-L2')}" in page
    (picture,) = images(visitor.get("/units/CB-001/label/?size=57x32").content)
    assert read(picture) == [code_of("unit", "CB-001-L2")]
    refused = visitor.post("/units/CB-001/label/", {"do": "replace_label", "reason": "x", "label": "CB-002"})
    assert refused.status_code == 409 and "CB-002 is the label of a unit." in text_of(refused.content.decode())
    visitor.post("/units/CB-001/label/", {"do": "record_serial", "kind": "customer", "serial": "a/1"})
    alias = Alias.objects.get(kind="customer")
    assert alias.text == "A/1"
    visitor.post("/units/CB-001/label/", {"do": "void_alias", "alias": str(alias.pk), "reason": "of another"})
    rows = rows_of(visitor.get("/units/CB-001/label/?csv=aliases"))
    assert [(row["Name"], bool(row["Voided"])) for row in rows] == [("CB-001-L2", False), ("A/1", True)]
    assert visitor.get("/units/CB-001/label/?size=9x9").status_code == 409
    assert 'href="/units/CB-001/label/"' in visitor.get("/units/CB-001/").content.decode()


# The scan line -------------------------------------------------------------------------------------------------------


def test_the_scan_line_takes_every_name_of_a_unit(visitor: Client, plant: Plant) -> None:
    made = order(plant, 2)
    one, two = made.units.order_by("pk")
    plant.do(replace_label, 24 * 60, unit=one, reason="scratched")
    plant.do(record_serial, 6, unit=one, kind=Alias.Kind.CUSTOMER, serial="4711/a")
    for text in ("CB-001", "CB-001-L2", code_of("unit", "CB-001-L2"), "4711/A"):
        assert visitor.get("/scan/", {"q": text})["Location"] == "/units/CB-001/", text
    for text in (label_text("CB-001"), code_of("unit", "CB-001")):
        answer = visitor.get("/scan/", {"q": text}, follow=True)
        assert (
            f"This label of CB-001 was replaced on 3 March 2026 (scratched); use the new one, {label_text('CB-001-L2')}"
            in (text_of(answer.content.decode()))
        )
    short = f"/U/{label_text('CB-001-L2')}"
    assert visitor.get(short, follow=True).redirect_chain[-1][0] == "/units/CB-001/"
    assert visitor.get(f"/W/{label_text('WO-1')}", follow=True).redirect_chain[-1][0] == "/orders/WO-1/"
    assert "was replaced" not in page_of(visitor, "/units/CB-002/?scanned=CB-001.X")
    plant.do(record_serial, 7, unit=two, kind=Alias.Kind.SUPPLIER, serial="4711/A")
    answer = visitor.get("/scan/", {"q": "4711/a"})
    page = text_of(answer.content.decode())
    assert answer.status_code == 200 and "2 things go by that name." in page and "CB-001" in page and "CB-002" in page
    assert Unit.objects.count() == 2
