"""Unit page, thin pages, home, signing in and out, and what goes wrong."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from io import BytesIO
from unittest import mock

import openpyxl
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern

from tests.factories import Plant, make_assembly, make_person, moment, ticks
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from trace import urls
from trace.approvals.models import Attachment
from trace.containment.models import Containment, Join, Notice
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.notices import write_notice
from trace.containment.operations.snapshots import take_snapshot
from trace.containment.terms import Told
from trace.core.errors import Refusal
from trace.engineering.models import Part, Site
from trace.engineering.operations import define_qualification, import_placements, qualify_person
from trace.floor.models import Customer, Pass, Return, Sample, Shipment
from trace.floor.operations.dispatch import load_shipment, send_shipment
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import record_passes
from trace.floor.operations.returns import receive_return
from trace.ledger.models import Event
from trace.material.models import Feed, SetUp
from trace.material.operations.setups import start_tape

pytestmark = pytest.mark.django_db


# Unit ----------------------------------------------------------------------------------------------------------------


def test_a_unit_says_where_it_is_and_what_is_in_it(visitor: Client, suspects: Suspects) -> None:
    board, product = suspects.shipped, suspects.product
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert (
        f"{board.key}, Board of order {board.order.key}, is finished and fitted in {product.key}, which is shipped to"
        in page
    )
    page = visitor.get(f"/units/{product.key}/").content.decode()
    assert f"/units/{board.key}/" in page and "/lots/K77/" in page and "/feeds/SLOT-R/" in page
    assert "R1, R2" in page
    # M1 and F1 of the product, R1, R2 and C1 of its board; FUSES, K77 and that of the capacitors.
    assert "5 of 5 places are filled, those of the 1 unit inside it counted, from 3 lots." in text_of(page)


def test_several_candidates_are_one_of(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get(f"/units/{suspects.possible.key}/").content.decode())
    assert "one of 2: container BAD: lot K77" in page and "container GOOD" in page


def test_what_was_displaced_is_shown_as_past(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get(f"/units/{suspects.cleared.key}/").content.decode())
    assert "no longer: container BAD" in page
    assert "drifted after solder" in page


def test_a_unit_as_of_an_earlier_moment(visitor: Client, suspects: Suspects) -> None:
    at = f"{moment(24):%Y-%m-%dT%H:%M}"
    page = text_of(visitor.get(f"/units/{suspects.shipped.key}/?at={at}").content.decode())
    assert f"{suspects.shipped.key}, Board of order {suspects.shipped.order.key}, was finished" in page
    assert suspects.product.key not in page


def test_places_can_be_found_in_the_tree(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get(f"/units/{suspects.product.key}/?find=K77").content.decode())
    assert "Places with “K77”" in page and "R1, R2" in page
    assert "C1 " not in page[page.index("As built") : page.index("As designed, and")]
    none = text_of(visitor.get(f"/units/{suspects.product.key}/?find=nowhere").content.decode())
    assert "No place has “nowhere”." in none


def test_the_timeline_has_passes_fittings_packing_and_shipping(visitor: Client, suspects: Suspects) -> None:
    plant: Plant = suspects.plant
    kinds = {row["Kind"] for row in rows_of(visitor.get(f"/units/{suspects.product.key}/?csv=timeline"))}
    assert kinds == {"order", "pass", "fitting", "packing", "shipping"}
    plant.do(scrap_unit, 60, unit=suspects.clean, reason="cracked")
    assert "scrap" in {row["Kind"] for row in rows_of(visitor.get(f"/units/{suspects.clean.key}/?csv=timeline"))}
    record = rows_of(visitor.get(f"/units/{suspects.product.key}/?csv=record"))
    assert "fit a unit into another" in {row["What"] for row in record}


# Every page ----------------------------------------------------------------------------------------------------------


NO_PAGES = {
    "containment-report-pdf",
    "notice-pdf",
    "containment-labels",
    *(
        "carton-label",
        "pallet-label",
        "packing-list",
        "packing-list-csv",
        "travellers",
        "attachment",
        "container-label",
        "tape-label",
        "rack-label",
        "result-codes",
        "short-link",
    ),
    *("unit-branch", "unit-history"),
    *("travellers", "attachment", "container-label", "tape-label", "rack-label", "result-codes", "short-link"),
}
"""Files, and what leads on to a page."""


def returned_frame(suspects: Suspects) -> Return:
    """A return of something that has nothing to do with the rest."""
    if found := Return.objects.first():
        return found
    plant = suspects.plant
    frame = make_assembly("FRAME", places={"X1": plant.fuse}, route={10: [plant.final]}, kind=Part.Kind.PRODUCT)
    unit = plant.finish(plant.units(frame, minute=50)[0], 50)
    carton, customer = plant.carton([unit], 52), Customer.objects.get(key="NORD")
    plant.do(load_shipment, 53, shipment="SH-F", customer=customer, cartons=[carton])
    plant.do(send_shipment, 54, shipment=Shipment.objects.get(key="SH-F"))
    back: Return = plant.do(receive_return, 60, unit=unit, complaint="bent")
    return back


def opened_alarm(suspects: Suspects) -> Containment:
    """An alarm about the suspect lot, its population kept."""
    if found := Containment.objects.first():
        return found
    plant = suspects.plant
    alarm: Containment = plant.do(open_containment, 60, problem="Resistors drift after solder.")
    plant.do(add_term, 61, containment=alarm, joined=Join.ANY, told=Told("lot", "K77"), evidence="lab report 7")
    plant.do(take_snapshot, 62, containment=alarm)
    plant.do(write_notice, 63, containment=alarm, customer=Customer.objects.get(key="NORD"), text="Please hold them.")
    return alarm


def addresses(suspects: Suspects) -> dict[str, str]:
    """One address of every route of ours."""
    keys = {
        "part": "BOARD", "station": "INSERT", "feed": "SLOT-R", "setup": "SETUP",
        "carton": "CT-1", "pallet": "PAL-1", "shipment": "SH-1", "customer": "NORD",
        "supplier": "ACME", "person": "ANN",
    }  # fmt: skip
    found = {name: f"/{address}/{keys[name]}/" for address, name in urls.THINGS.values() if name in keys}
    serial, order = suspects.product.key, f"/orders/{suspects.product.order.key}/"
    alarm = f"/containments/{opened_alarm(suspects).key}/"
    return found | {
        "samples": "/quality/samples/", "sample": f"/quality/samples/{Sample.objects.get().pk}/",
        "dispatch": "/dispatch/", "pack": "/dispatch/cartons/CT-1/", "stack": "/dispatch/pallets/PAL-1/",
        "load": "/dispatch/shipments/SH-1/", "carton-label": "/cartons/CT-1/label/",
        "pallet-label": "/pallets/PAL-1/label/", "packing-list": "/shipments/SH-1/packing-list.pdf",
        "packing-list-csv": "/shipments/SH-1/packing-list.csv",
        "line": "/line/", "line-units": "/line/units/", "line-passes": "/line/passes/",
        "home": "/", "floor": "/floor/", "scan": "/scan/?q=SN", "lot": "/lots/K77/", "lot-cost": "/lots/K77/cost/",
        "lot-unit": f"/lots/K77/units/{serial}/", "container": "/containers/BAD/",
        "container-cost": "/containers/BAD/cost/", "container-unit": f"/containers/BAD/units/{serial}/",
        "unit": f"/units/{serial}/", "record": "/record/", "device": "/device/", "revisions": "/parts/BOARD/revisions/",
        "release": "/parts/BOARD/release/", "retire": "/parts/BOARD/retire/",
        "compared": "/parts/BOARD/revisions/PRODUCT/", "lists": "/lists/", "list": "/lists/parts/",
        "inspections": "/material/inspect/", "inspect": "/material/inspect/K77/", "early-use": "/material/early-use/",
        "equipment-list": "/equipment/", "equipment": "/equipment/HV-1/", "use-equipment": "/equipment/HV-1/use/",
        "tape-label": "/tapes/T-1/label/", "unit-label": f"/units/{serial}/label/",
        "unit-branch": f"/units/{serial}/branch/", "unit-history": f"/units/{serial}/history.pdf",
        "unit-inside": f"/units/{serial}/inside/",
        "orders": "/orders/", "new-order": "/orders/new/", "order": order, "travellers": f"{order}travellers.pdf",
        "container-label": "/containers/BAD/label/", "bag": "/containers/BAD/bag/", "clocks": "/material/clocks/",
        "labels": "/material/labels/", "short-link": "/C/BAD",
        "stock": "/material/containers/BAD/", "counts": "/material/counts/", "calls": "/material/calls/",
        "feeding": "/feeds/SLOT-R/do/", "set-up": "/station/INSERT/set-up/", "at-station": "/station/INSERT/",
        "result-codes": "/material/labels/results/",
        "material": "/material/", "receive": "/material/receive/", "deliveries": "/material/deliveries/",
        "delivery": "/material/deliveries/ACME-D-1/", "calendar": "/calendar/", "set-calendar": "/calendar/set/",
        "move-equipment": "/equipment/HV-1/move/", "retire-equipment": "/equipment/HV-1/retire/",
        "tapes": "/tapes/", "plan-tape": "/tapes/new/", "tape": "/tapes/T-1/", "build-tape": "/tapes/T-2/build/",
        "mount-tape": "/tapes/T-1/mount/", "racks": "/racks/", "rack": "/racks/RACK-1/",
        "rack-label": "/racks/RACK-1/label/", "corrections": "/corrections/",
        "correct": f"/corrections/pass/{Pass.objects.filter(unit=suspects.product).get().pk}/",
        "refused-scans": "/refused-scans/", "paper": "/station/INSERT/paper/",
        "deviations": "/deviations/", "open-deviation": "/deviations/open/", "deviation": "/deviations/DEV-1/",
        "revoke-deviation": "/deviations/DEV-1/revoke/", "sign": "/sign/deviation/DEV-1/", "attach": "/attach/lot/K77/",
        "attachment": f"/attachments/{Attachment.objects.get().key}/",
        "dispositions": "/dispositions/", "disposition": "/dispositions/D-1/", "decide": "/decide/lot/K77/",
        "withdraw-disposition": "/dispositions/D-1/withdraw/", "faults": "/quality/faults/",
        "quality-cost": "/quality/cost/",
        "repair": f"/station/TEST/repair/{serial}/", "scrap-unit": f"/units/{serial}/scrap/",
        "returns": "/returns/", "receive-return": f"/returns/receive/?q={serial}",
        "return": f"/returns/{returned_frame(suspects).key}/",
        "containments": "/containments/", "open-containment": "/containments/new/?kind=lot&subject=K77",
        "containment": alarm, "containment-unit": f"{alarm}units/{serial}/", "containment-cost": f"{alarm}cost/",
        "containment-flow": f"{alarm}flow/?node=0:lot:K77", "containment-stop": f"{alarm}stop/",
        "containment-progress": f"{alarm}progress/", "containment-notices": f"{alarm}notices/",
        "containment-compare": f"{alarm}compare/", "containment-narrow": f"{alarm}narrow/",
        "containment-report": f"{alarm}report/", "containment-report-pdf": f"{alarm}report.pdf",
        "containment-labels": f"{alarm}labels.pdf", "containment-snapshot": f"{alarm}snapshots/1/",
        "notice-pdf": f"/notices/{Notice.objects.get().key}.pdf",
        "entry": f"/record/{Event.objects.filter(verb='pack_units').first().pk}/",
    }  # fmt: skip


def test_every_route_is_tried_here(suspects: Suspects) -> None:
    ours = {route.name for route in urls.urlpatterns if isinstance(route, URLPattern)}
    assert ours - {"sign-in", "sign-out", "badge", "list-csv", "station-worker"} == set(addresses(suspects))


def test_a_persons_qualifications_say_whether_they_hold(visitor: Client, suspects: Suspects) -> None:
    plant, bob = suspects.plant, make_person("BOB")
    for key, since, until in (("SOLDER", 1, 2), ("TEST", 1, None), ("LIFT", 10**7, None)):
        told = {"since": moment(since), "until": until and moment(until), "remark": f"certificate {key}"}
        qualification = plant.do(define_qualification, key=key, name=f"to {key.lower()}")
        plant.do(qualify_person, person=bob, qualification=qualification, **told)
    rows = rows_of(visitor.get("/people/BOB/?csv=qualifications"))
    assert {row["Qualification"]: row["Now"] for row in rows} == {
        "to solder": "ran out", "to test": "in force", "to lift": "not yet",
    }  # fmt: skip
    assert (rows[-1]["On what"], rows[-1]["Vouched for by"]) == ("certificate SOLDER", "ANN Ann")
    plant.board.steps.filter(number=10).update(qualification=qualification)
    assert "to lift" in text_of(visitor.get("/parts/BOARD/").content.decode())


def test_every_page_answers_within_few_queries(visitor: Client, suspects: Suspects) -> None:
    for name, address in addresses(suspects).items():
        if name in NO_PAGES:
            continue
        with CaptureQueriesContext(connection) as queries:
            response = visitor.get(address)
        assert response.status_code == (404 if name == "scan" else 200), name
        most = 250 if name.startswith("containment-report") else 120  # the whole story, costs among it
        assert len(queries) < most, (name, len(queries))
        page = response.content.decode()
        assert 'id="scan"' in page and " style=" not in page and " onclick=" not in page, name


@pytest.mark.once
def test_every_table_downloads_what_it_counts(visitor: Client, suspects: Suspects) -> None:
    for name, address in addresses(suspects).items():
        response = visitor.get(address)
        for table, shown in ((response.context or {}).get("tables") or {}).items():
            separator = "&" if "?" in address else "?"
            rows = rows_of(visitor.get(f"{address}{separator}csv={table}"))
            assert len(rows) == shown.page.paginator.count, (name, table)


def test_a_spreadsheet_holds_the_rows_of_the_csv_file(visitor: Client, suspects: Suspects) -> None:
    for address, table in (("/lots/K77/", "units"), ("/lots/K77/cost/", "scrap"), ("/record/", "entries")):
        response = visitor.get(f"{address}?xlsx={table}")
        assert response["Content-Disposition"].endswith('.xlsx"')
        (sheet,) = openpyxl.load_workbook(BytesIO(b"".join(response.streaming_content)))
        found = [["" if cell is None else str(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
        told = [list(row.values()) for row in rows_of(visitor.get(f"{address}?csv={table}"))]
        assert len(found) > 1
        assert [[_number(cell) for cell in row] for row in found[1:]] == [[_number(c) for c in row] for row in told]


def _number(text: str) -> object:
    """Texts of one amount, such as 2.50 and 2.5, are one."""
    try:
        return Decimal(text)
    except InvalidOperation:
        return text


def test_every_page_asks_for_signing_in(client: Client, suspects: Suspects) -> None:
    for name, address in addresses(suspects).items():
        response = client.get(address)
        assert response.status_code == 302 and response["Location"].startswith("/sign-in/?next="), name


def test_tables_page_sort_and_choose_on_the_server(visitor: Client, suspects: Suspects) -> None:
    suspects.plant.boards(60)
    first = visitor.get("/parts/BOARD/?units-sort=serial").content.decode()
    last = visitor.get("/parts/BOARD/?units-sort=serial&units-page=99").content.decode()
    assert "Rows 1–25 of 65" in first and "Rows 51–65 of 65" in last
    assert len(rows_of(visitor.get("/parts/BOARD/?csv=units"))) == 65
    order = suspects.certain.order.key
    assert len(rows_of(visitor.get(f"/parts/BOARD/?units-order={order}&csv=units"))) == 5
    assert len(rows_of(visitor.get(f"/parts/BOARD/?units-find={suspects.clean.key}&csv=units"))) == 1
    assert "No row fits these filters." in visitor.get("/parts/BOARD/?units-find=nothing-like-it").content.decode()
    assert visitor.get("/parts/BOARD/?units-sort=order__part__standard_cost").status_code == 200
    assert visitor.get("/parts/BOARD/?units-page=x&csv=none").status_code == 200


def test_a_board_shows_what_is_placed_where_in_its_order(visitor: Client, suspects: Suspects) -> None:
    assert "It has no placements yet." in visitor.get("/parts/BOARD/").content.decode()
    content = (
        "Ref,Value,X (mil),Y (mil),Rot,Side,DNP\nR2,10K,1000,0,-90,bottom,\nFID1,,0,0,0,top,\nR1,10K,0,0,0,top,x\n"
    )
    suspects.plant.do(import_placements, 30, assembly=suspects.plant.board, content=content)
    rows = rows_of(visitor.get("/parts/BOARD/?csv=placements"))
    assert [list(row.values()) for row in rows] == [
        ["1", "R2", "RES Res", "10K", "25.4", "0", "270", "bottom", ""],
        ["2", "FID1", "not in the bill of material", "", "0", "0", "0", "top", ""],
        ["3", "R1", "RES Res", "10K", "0", "0", "0", "top", "do not place"],
    ]


def test_a_standard_cost_is_shown_as_the_sums_are_made_with_it(visitor: Client, suspects: Suspects) -> None:
    for cost, shown in (("0.007", "0.007 EUR"), ("120", "120 EUR")):
        Part.objects.filter(key="RES").update(standard_cost=cost)
        assert f"Standard cost {shown} " in text_of(visitor.get("/parts/RES/").content.decode())
    Part.objects.get(key="RES").costs.create(since="2999-01-01", standard_cost="130.5", replace_minutes=0)
    assert "Standard cost 120 EUR, 130.5 EUR from 2999-01-01 on " in text_of(
        visitor.get("/parts/RES/").content.decode()
    )


def test_a_tape_tells_what_was_drawn_from_what_may_have_been(visitor: Client, db: None) -> None:
    plant = Plant()
    heads = {"A": (0, ["R1", "R2"]), "B": (0, ["C1"])}
    plant.do(start_tape, key="T1", assembly=plant.board, sequence=["R1", "C1", "R2"], heads=heads, board_sets=99)
    setup = SetUp.objects.get(axis__tape__key="T1")
    done, broken_off = plant.boards(2)
    at = {"station": plant.insertion, "setup": setup}
    plant.do(record_passes, 10, units=[done], entered=moment(10), positions=[(4, 4)], **at)
    assert "Its heads are being loaded. 1 drawn." in text_of(visitor.get("/tapes/T1/").content.decode())
    told = {"units": [broken_off], "positions": [(5, 5)], "outcome": "aborted"}
    plant.do(record_passes, 12, entered=moment(12), **told, **at)
    assert "loaded. 1 drawn, 1 more perhaps." in text_of(visitor.get("/tapes/T1/").content.decode())
    assert [row["Drawn"] for row in rows_of(visitor.get("/tapes/T1/?csv=used"))] == ["yes", "perhaps"]


def test_a_feed_says_between_what_a_change_happened(visitor: Client, db: None) -> None:
    plant = Plant()
    plant.do(load_feed, 10, feed=plant.slot_r, container=plant.reel("A"))
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), position=(ticks(12), ticks(20)))
    second, first = rows_of(visitor.get(f"/feeds/{plant.slot_r.key}/?csv=records"))
    assert second["When"] == "between 2026-03-02T06:12:00Z and 2026-03-02T06:20:00Z"
    assert first["When"] == "2026-03-02T06:10:00Z"
    heads = {"A": (0, ["R1", "R2"]), "B": (0, ["C1"])}
    plant.do(start_tape, 30, key="T1", assembly=plant.board, sequence=["R1", "C1", "R2"], heads=heads, board_sets=99)
    plant.do(load_feed, 40, feed=Feed.objects.get(key="T1-A"), container=plant.reel("C"), position=(40, 41))
    (record,) = rows_of(visitor.get("/feeds/T1-A/?csv=records"))
    assert (record["When"], record["Board set"]) == ("2026-03-02T06:40:00Z", "40–41")


# Home ----------------------------------------------------------------------------------------------------------------


def test_an_empty_plant_says_how_to_begin(visitor: Client) -> None:
    page = text_of(visitor.get("/").content.decode())
    assert "This plant is empty." in page and "python3 manage.py demo" in page


def test_home_counts_and_links(visitor: Client, suspects: Suspects) -> None:
    page = visitor.get("/").content.decode()
    assert "1 hold is open." in text_of(page)
    steps = rows_of(visitor.get("/?csv=steps"))
    for row in steps:
        part = row["Part"].split()[0]
        filters = {"floor-part": part, "floor-step": row["Step"], "floor-state": "waiting", "csv": "floor"}
        assert len(rows_of(visitor.get("/floor/", filters))) == int(row["Waiting"])
    assert sum(int(row["Waiting"]) + int(row["Inside"]) for row in steps) == 4


def test_unknown_material_is_named(visitor: Client) -> None:
    Plant()
    page = text_of(visitor.get("/").content.decode())
    assert "On 2 feeds the material is not known." in page and "No material was received yet" in page


# Signing in and out --------------------------------------------------------------------------------------------------


def test_signing_in_and_out(client: Client) -> None:
    make_user()
    wrong = client.post("/sign-in/", {"username": "ann", "password": "guess"})
    assert "That name and password don’t belong together." in wrong.content.decode()
    right = client.post("/sign-in/?next=/floor/", {"username": "ann", "password": "tin-plated-1", "next": "/floor/"})
    assert right["Location"] == "/floor/"
    assert client.get("/").status_code == 200
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/")["Location"] == "/sign-in/"
    assert client.get("/").status_code == 302


def test_too_many_wrong_passwords_say_to_wait(client: Client) -> None:
    make_user()
    for _ in range(8):
        response = client.post("/sign-in/", {"username": "ann", "password": "guess"})
    assert response.status_code == 429
    assert "Try again in a quarter of an hour" in response.content.decode()
    assert client.post("/sign-in/", {"username": "ann", "password": "tin-plated-1"}).status_code == 429


def test_signing_in_leads_to_no_other_site(client: Client) -> None:
    make_user()
    address = "https://example.org/"
    response = client.post("/sign-in/", {"username": "ann", "password": "tin-plated-1", "next": address})
    assert response["Location"] == "/"


# What goes wrong -----------------------------------------------------------------------------------------------------


def test_a_refusal_is_a_page_with_its_sentence_and_next_action(visitor: Client, suspects: Suspects) -> None:
    refusal = Refusal("The pot is <cold>.", action="Wait.")
    with mock.patch("trace.web.views.home.list_on_floor", side_effect=refusal):
        response = visitor.get("/")
    assert response.status_code == 409
    assert "The pot is &lt;cold&gt;." in response.content.decode() and "Wait." in response.content.decode()


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/lots/NONE/", 404),
        ("/units/NONE/", 404),
        ("/parts/NONE/", 404),
        ("/lots/a b/", 404),
        ("/units/a b/", 400),
        ("/nowhere/", 404),
    ],
)
def test_what_is_not_there_says_so(visitor: Client, address: str, status: int) -> None:
    response = visitor.get(address)
    assert response.status_code == status
    assert '<div class="stop" role="alert">' in response.content.decode()
    assert "--container" not in response.content.decode()
    assert 'id="scan"' in response.content.decode()


def test_a_programming_error_stays_a_500_with_a_page(suspects: Suspects) -> None:
    client = Client(raise_request_exception=False)
    client.force_login(make_user("bea"))
    with mock.patch("trace.web.views.home.list_on_floor", side_effect=ZeroDivisionError):
        response = client.get("/")
    assert response.status_code == 500 and "This is our fault, not yours." in response.content.decode()


def test_a_form_from_elsewhere_is_refused_with_a_page() -> None:
    client = Client(enforce_csrf_checks=True)
    response = client.post("/sign-in/", {"username": "ann", "password": "x"})
    assert response.status_code == 403 and "That form was too old" in response.content.decode()


def test_times_are_the_plants_with_utc_on_hover(visitor: Client, suspects: Suspects) -> None:
    Site.objects.update(zone="Asia/Tokyo")
    page = visitor.get(f"/units/{suspects.certain.key}/").content.decode()
    assert '<time datetime="2026-03-02T06:10:00Z" title="2026-03-02 06:10:00 UTC">2026-03-02 15:10</time>' in page
    assert "Asia/Tokyo" in page
    earlier = text_of(visitor.get("/lots/K77/?at=2026-03-02T15:13").content.decode())
    assert "Lot K77 is in 2 units" in earlier
    Site.objects.update(zone="Nowhere/Such")
    assert visitor.get("/").status_code == 200


def test_pages_are_kept_by_nobody(visitor: Client, suspects: Suspects) -> None:
    assert visitor.get("/")["Cache-Control"] == "private, no-cache"
