"""Containments on their pages: opened, scoped, answered, kept; why, flow, and who may do what."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from html import unescape

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.factories import make_part, make_station
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from trace.containment.following import follow
from trace.containment.models import Containment, Kind, Snapshot, Term
from trace.containment.terms import FORMS
from trace.core.permissions import Role
from trace.engineering.equipment import Calibration, Equipment
from trace.engineering.models import Characteristic
from trace.engineering.operations.equipment import record_calibration
from trace.floor.operations.feeds import charge_bath, dump_bath
from trace.material.operations.setups import define_feed
from trace.web.scoping import ASKS, SOUGHT

pytestmark = pytest.mark.django_db

SENTENCE = (
    "Lot K77 of Acme is in 3 units: 2 certain, 1 possible. 1 has shipped, to 1 customer. 1 carried it and no longer"
)
HTMX = {"HTTP_HX_REQUEST": "true"}


@pytest.fixture
def alarm(visitor: Client, suspects: Suspects) -> Containment:
    """One that was opened by the link of a lot's page."""
    sent = {"kind": "lot", "subject": "K77", "problem": "Resistors drift.", "evidence": "lab report 7"}
    response = visitor.post("/containments/new/?kind=lot&subject=K77", sent)
    made = Containment.objects.get()
    assert response["Location"] == f"/containments/{made.key}/"
    return made


def page_of(visitor: Client, alarm: Containment, query: str = "") -> str:
    return text_of(visitor.get(f"/containments/{alarm.key}/{query}").content.decode())


def add(visitor: Client, alarm: Containment, kind: str, subject: str, **more: str) -> object:
    sent = {"do": "add_term", "kind": kind, "subject": subject, "joined": "any", **more}
    return visitor.post(f"/containments/{alarm.key}/", sent)


# Opening -------------------------------------------------------------------------------------------------------------


def test_no_alarm_yet_says_what_to_do_first(visitor: Client, db: None) -> None:
    page = text_of(visitor.get("/containments/").content.decode())
    assert "No alarm was opened yet. Open one for what is suspect" in page and "Open a containment" in page


def test_a_lots_page_leads_in_one_step_to_its_containment(visitor: Client, suspects: Suspects) -> None:
    for address, asked in (
        ("/lots/K77/", "kind=lot&subject=K77"),
        ("/containers/BAD/", "kind=container&subject=BAD"),
        (f"/units/{suspects.clean.key}/", f"kind=unit&subject={suspects.clean.key}"),
        ("/stations/INSERT/", "kind=station&subject=INSERT"),
        ("/equipment/HV-1/", "kind=equipment&subject=HV-1"),
        ("/tapes/T-1/", "kind=tape&subject=T-1"),
        ("/set-ups/SETUP/", "kind=setup&subject=SETUP"),
    ):
        link = f"/containments/new/?{asked}"
        assert link in unescape(visitor.get(address).content.decode()), address
        assert visitor.get(link).status_code == 200, link


def test_the_answer_is_the_same_as_of_the_lot(visitor: Client, alarm: Containment) -> None:
    assert (alarm.problem, alarm.evidence) == ("Resistors drift.", "lab report 7")
    page = page_of(visitor, alarm)
    assert SENTENCE in page and "lab report 7" in page and "Resistors drift." in page
    of_lot = [list(row.values())[:7] for row in rows_of(visitor.get("/lots/K77/?csv=units&units-counted="))]
    of_alarm = rows_of(visitor.get(f"/containments/{alarm.key}/?csv=units&units-counted="))
    assert [list(row.values())[:7] for row in of_alarm] == of_lot and len(of_lot) == 5
    (row,) = rows_of(visitor.get("/containments/?csv=containments"))
    assert row["What is wrong"] == "Resistors drift." and row["Needs now"] == "keep its population"


def test_a_gauge_is_in_doubt_since_it_was_last_good(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    """Its last passed calibration before the failed one, as the field takes it: it need not be looked up."""
    asked = (
        "/containments/new/?kind=equipment&subject=HV-1",
        f"/containments/{alarm.key}/?kind=equipment&subject=HV-1",
    )
    tester = Equipment.objects.get(key="HV-1")
    Calibration.objects.filter(equipment=tester).delete()
    for address in asked:
        assert "It was never found good on record" in text_of(visitor.get(address).content.decode())
    suspects.plant.do(record_calibration, 5, equipment=tester, passed=True, due=date(2026, 4, 1))
    suspects.plant.do(record_calibration, 50, equipment=tester, passed=False)
    for address in asked:
        page = visitor.get(address).content.decode()
        assert 'name="since" type="datetime-local" value="2026-03-02T06:05"' in page, address
        assert "It begins when this was last found good" in text_of(page)
    refused = visitor.post(asked[1], {"do": "add_term", "kind": "equipment", "subject": "HV-1", "joined": "any"})
    assert "Give a beginning or an end." in refused.content.decode()


def test_a_suspect_charge_says_its_share_of_the_bath(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    """200 kg in a clean pot, 10 kg of it suspect: 10/210; with 10 kg more 10/220 (common arithmetic of mixtures)."""
    assert "Share of the bath" not in page_of(visitor, alarm)
    plant, solder = suspects.plant, make_part("SOLDER", kind="process")
    pot = plant.do(define_feed, 50, key="POT", station=make_station("WAVE"), kind="bath")
    plant.do(dump_bath, 51, feed=pot, cleaned=True)
    for minute, key, kilograms in ((52, "FIRST", 200), (53, "DIRTY", 10), (54, "NEXT", 10)):
        bar = plant.reel(key, solder, quantity=Decimal(kilograms))
        plant.do(charge_bath, minute, feed=pot, container=bar)
    assert add(visitor, alarm, "charge", "DIRTY").status_code == 302
    rows = rows_of(visitor.get(f"/containments/{alarm.key}/?csv=shares"))
    assert [(row["Bath"], row["At least"], row["At most"]) for row in rows] == [
        ("POT", "4.76 %", "4.76 %"),
        ("POT", "4.55 %", "4.55 %"),
    ]
    assert "Share of the bath" in page_of(visitor, alarm)


def test_nothing_is_opened_where_its_first_term_is_refused(visitor: Client, suspects: Suspects) -> None:
    sent = {"kind": "station", "subject": "INSERT", "problem": "Too hot.", "since": "2026-03-02T25:00"}
    response = visitor.post("/containments/new/?kind=station&subject=INSERT", sent)
    page = response.content.decode()
    assert response.status_code >= 400 and "is no date and time" in page
    assert "Too hot." in page and "2026-03-02T25:00" in page  # as it was typed
    assert not Containment.objects.exists()
    assert visitor.post("/containments/new/", {"problem": " "}).status_code == 409
    assert visitor.get("/containments/new/?kind=lot&subject=NONE").status_code == 400
    assert not Containment.objects.exists()


# Scoping -------------------------------------------------------------------------------------------------------------


def test_what_is_typed_offers_what_it_may_be(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = f"/containments/{alarm.key}/"

    def offered(text: str) -> str:
        return text_of(visitor.get(address, {"q": text}, **HTMX, HTTP_HX_TARGET="options").content.decode())

    assert offered("ins") == "station INSERT Insert"
    assert "lot K77 Res" in offered("2406")
    assert f"unit {suspects.clean.key} Board" in offered(suspects.clean.key)
    assert "person ANN Ann" in offered("ann") and "equipment HV-1 Tester 1" in offered("tester")
    assert offered("a") == ""  # too short to look for
    assert "Nothing that may be suspected is called “zzz”." in offered("zzz")
    with CaptureQueriesContext(connection) as queries:
        offered("k7")
    assert len(queries) < 30  # as many as there are kinds, and who asks


def test_a_scan_goes_straight_in(visitor: Client, alarm: Containment) -> None:
    for asked in ({}, {**HTMX, "HTTP_HX_TARGET": "scoping"}):
        page = visitor.get(f"/containments/{alarm.key}/", {"q": "INSERT"}, **asked).content.decode()
        assert 'name="subject" value="INSERT"' in page and 'name="since"' in page and 'name="first"' not in page
    page = visitor.get(f"/containments/{alarm.key}/", {"kind": "tape", "subject": "T-1"}).content.decode()
    assert 'name="first"' in page and 'name="since"' not in page


def test_every_kind_is_found_and_asked_for(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    assert set(SOUGHT) == set(FORMS) == set(Kind)
    assert {name for form in FORMS.values() for name in form.takes} <= set(ASKS)
    board = suspects.plant.board
    Characteristic.objects.create(part=board, step_number=20, number=9, name="Ripple", unit_of_measure="mV", upper=5)
    address = f"/containments/{alarm.key}/"
    page = unescape(visitor.get(address, {"q": "ripple"}).content.decode())
    link = "?kind=characteristic&subject=BOARD&detail=20%3A+Ripple"
    assert link in page
    page = visitor.get(address + link).content.decode()
    assert 'name="way"' in page and 'name="detail" value="20: Ripple"' in page and "One of these at least" not in page
    assert add(visitor, alarm, "characteristic", "BOARD", detail="20: Ripple", way="above").status_code == 302
    assert "units of BOARD with Ripple above its limit at step 20" in page_of(visitor, alarm)
    # Positions on a clock are moments.
    page = visitor.get(address, {"kind": "setup", "subject": "SETUP"}).content.decode()
    assert 'name="first" type="datetime-local"' in page
    told = {"first": "2026-03-02T06:10", "last": "2026-03-02T06:14"}
    assert add(visitor, alarm, "setup", "SETUP", joined="all", **told).status_code == 302
    assert "set-up SETUP, moments 2026-03-02 06:10 to 2026-03-02 06:14" in page_of(visitor, alarm)


def test_a_term_is_added_and_removed_with_a_reason(visitor: Client, alarm: Containment) -> None:
    response = add(visitor, alarm, "container", "GOOD", evidence="same shift")
    assert response["Location"] == f"/containments/{alarm.key}/?added=2#scoping"
    page = page_of(visitor, alarm)
    assert (
        "Lot K77 of Acme or reel GOOD of lot" in page
        and "is in 4 units" in page
        and "or reel GOOD" in page
        and "same shift" in page
    )
    response = visitor.post(f"/containments/{alarm.key}/", {"do": "remove_term", "number": "2", "reason": " "})
    assert response.status_code == 409 and "Say why it is suspect no longer." in response.content.decode()
    told = {"do": "remove_term", "number": "2", "reason": "It was another shift."}
    assert visitor.post(f"/containments/{alarm.key}/", told).status_code == 302
    page = page_of(visitor, alarm)
    assert SENTENCE in page and "1 term removed" in page and "It was another shift." in page
    for number in ("2", "9", "x"):
        assert visitor.post(f"/containments/{alarm.key}/", {**told, "number": number}).status_code == 409


def test_a_refusal_stands_beside_the_form_with_what_was_typed(visitor: Client, alarm: Containment) -> None:
    for more, wrong in (
        ({"kind": "lot", "subject": "K77"}, "is in CM-00001 before, as term 1"),
        ({"kind": "lot", "subject": "NONE"}, "There is no lot NONE"),
        ({"kind": "station", "subject": "INSERT", "since": "never"}, "“never” is no date and time."),
        ({"kind": "station", "subject": "INSERT"}, "It does not say when"),
        ({"kind": "container", "subject": "GOOD", "joined": "perhaps"}, "It was not said how it is joined"),
        ({"kind": "tape", "subject": "T-1", "first": "1e3"}, "“1e3” is no whole number."),
    ):
        response = add(visitor, alarm, **more)
        page = response.content.decode()
        assert 400 <= response.status_code < 500 and wrong in unescape(page), wrong
        if "since" in more:
            assert f'value="{more["since"]}"' in page[page.index('id="scoping"') :]
    assert Term.objects.count() == 1


def test_a_snapshot_is_kept(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = f"/containments/{alarm.key}/"
    assert visitor.post(address, {"do": "take_snapshot", "why": "first look"}).status_code == 302
    (row,) = rows_of(visitor.get(f"{address}?csv=snapshots"))
    counted = [row[name] for name in ("Number", "What for", "Certain", "Possible", "Cleared", "Shipped")]
    assert counted == ["1", "first look", "2", "1", "1", "1"]
    assert "Snapshot 1 of" in page_of(visitor, alarm)
    (row,) = rows_of(visitor.get("/containments/?csv=containments"))
    assert (row["Certain"], row["Possible"], row["Shipped"]) == ("2", "1", "1")
    follow(suspects.plant.ann)
    assert "Followed up to" in page_of(visitor, alarm)
    response = visitor.post(address, {"do": "void_everything"})
    assert response.status_code == 409 and "Nothing here was done." in response.content.decode()


def test_the_page_asks_as_often_however_many_units_there_are(
    visitor: Client, alarm: Containment, suspects: Suspects
) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            assert visitor.get(f"/containments/{alarm.key}/").status_code == 200
            assert visitor.get(f"/containments/{alarm.key}/flow/").status_code == 200
        return len(queries)

    add(visitor, alarm, "container", "GOOD")
    before = count()
    plant = suspects.plant
    for minute, board in enumerate(plant.boards(30), 1):
        plant.run(board, plant.insertion, 100 + 2 * minute, 101 + 2 * minute)
    assert count() == before


# Why, and the flow ---------------------------------------------------------------------------------------------------


def test_why_a_unit_is_in_it(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = f"/containments/{alarm.key}/units/"
    page = text_of(visitor.get(f"{address}{suspects.product.key}/").content.decode())
    assert f"carries what is suspect in containment {alarm.key}: certain." in page
    assert "lot K77 in → container BAD on → feed SLOT-R drawn at INSERT" in page
    page = text_of(visitor.get(f"{address}{suspects.clean.key}/").content.decode())
    assert f"does not carry what is suspect in containment {alarm.key}" in page
    assert visitor.get(f"{address}NONE/").status_code == 404


def test_the_flow_counts_what_it_leads_to(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = f"/containments/{alarm.key}/flow/"
    rows = rows_of(visitor.get(f"{address}?csv=flow"))
    assert [(row["Which"], row["To"], row["Units"]) for row in rows] == [
        ("K77 RES", "SLOT-R at INSERT", "3"),
        ("SLOT-R at INSERT", "BOARD", "1"),
        ("SLOT-R at INSERT", "BOARD", "2"),
        ("BOARD", "PRODUCT", "1"),
        ("BOARD", "finished", "1"),
        ("BOARD", "waiting", "1"),
        ("PRODUCT", "NORD Nord Air", "1"),
    ]
    response = visitor.get(address)
    picture, behind = response.context["picture"], set()
    for part in (*picture.lines, *picture.boxes):
        found = rows_of(visitor.get(address + part.href.partition("#")[0] + "&csv=behind"))
        assert len(found) == part.count, part.says
        behind |= {row["Serial"] for row in found}
    carriers = {suspects.certain.key, suspects.shipped.key, suspects.possible.key, suspects.product.key}
    assert behind == carriers  # not the board that was put right
    assert "2 units, from SLOT-R at INSERT to BOARD" in unescape(response.content.decode())


def test_a_flow_of_many_lots_gathers_the_smallest(visitor: Client, alarm: Containment) -> None:
    from trace.containment.flow import Flow, Node, Stage

    flow, feed = Flow(), Node(Stage.SOURCE, "feed", "F")
    for number in range(30):
        flow.arrows[Node(Stage.MATERIAL, "lot", f"L{number}"), feed] |= set(range(30 - number))
    few = flow.gather(10)
    lots = {str(one): len(units) for (one, _), units in few.arrows.items()}
    assert len(lots) == 10 and lots["L0"] == 30 and lots["and 21 more"] == 21


# Who may -------------------------------------------------------------------------------------------------------------


def test_an_operator_reads_and_changes_nothing(client: Client, alarm: Containment) -> None:
    client.force_login(make_user("olga", [Role.OPERATOR]))
    address = f"/containments/{alarm.key}/"
    page = client.get(address).content.decode()
    assert SENTENCE in text_of(page) and 'id="scoping"' not in page and 'name="do"' not in page
    assert "What it would cost" not in page and client.get(f"{address}cost/").status_code == 403
    assert client.get("/containments/new/").status_code == 403
    for told in (
        {"do": "add_term", "kind": "container", "subject": "GOOD"},
        {"do": "remove_term", "number": "1", "reason": "no"},
        {"do": "take_snapshot"},
    ):
        assert client.post(address, told).status_code in (403, 409)
    assert (Term.objects.filter(removed=None).count(), Snapshot.objects.count()) == (1, 0)


def test_an_earlier_moment_is_looked_at_and_not_changed(visitor: Client, alarm: Containment) -> None:
    page = page_of(visitor, alarm, "?at=2026-03-02T06:13")
    assert "As it stood on 2026-03-02" in page and "How it joins" not in page
    assert "Lot K77 of Acme is in 2 units" in page


def test_home_shows_open_alarms_to_who_answers_for_them(client: Client, alarm: Containment) -> None:
    client.force_login(make_user("quinn", [Role.QUALITY]))
    page = client.get("/").content.decode()
    assert "1 alarm is open" in text_of(page) and f"/containments/{alarm.key}/" in page
    assert page.index("table-containments") < page.index("table-holds")
    client.force_login(make_user("olga", [Role.OPERATOR]))
    assert "table-containments" not in client.get("/").content.decode()
