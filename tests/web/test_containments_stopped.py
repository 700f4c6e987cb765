"""What is done about a containment on its pages: stopped, looked for, decided, told to customers, compared."""

from __future__ import annotations

from decimal import Decimal

import pypdfium2
import pytest
from django.test import Client

from tests.approvals.signing import quality
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from tests.web.test_pages import opened_alarm
from trace.approvals.models import Meaning
from trace.approvals.operations import sign
from trace.containment.models import CleanPoint, Clearing, Containment, Notice, Reconciliation, Remark
from trace.containment.open_points import list_open
from trace.containment.operations.alarms import add_term, remove_term
from trace.containment.population import reckon
from trace.containment.terms import Told
from trace.core.clock import now, now_ticks
from trace.core.keys import code_of, label_text
from trace.core.models import User
from trace.core.permissions import Role
from trace.costing.containments import Way, summarise_ways
from trace.costing.rules import round_money
from trace.floor.operations.orders import scrap_unit
from trace.holds.models import Disposition, Hold
from trace.labels.held import LABELLED, make_held_labels

pytestmark = pytest.mark.django_db


@pytest.fixture
def alarm(suspects: Suspects) -> Containment:
    return opened_alarm(suspects)


def at(alarm: Containment, page: str = "") -> str:
    return f"/containments/{alarm.key}/{page}"


def stop(visitor: Client, alarm: Containment) -> object:
    return visitor.post(at(alarm, "stop/"), {"decides": "yes", "permits": ["finish"]})


def test_a_stop_says_what_it_holds_and_asks_who_decides(visitor: Client, alarm: Containment) -> None:
    page = text_of(visitor.get(at(alarm, "stop/")).content.decode())
    told = rows_of(visitor.get(at(alarm, "stop/") + "?csv=to-hold"))
    assert f"It will hold {len(told)} things: " in page and "I, U-Ann, decide to stop it" in page
    assert "only qualified people may stop and release" in page
    before = Hold.objects.count()
    refused = visitor.post(at(alarm, "stop/"), {"permits": ["finish"]})
    assert refused.status_code == 409 and "Nobody has said that they decide it." in refused.content.decode()
    assert Hold.objects.count() == before
    assert stop(visitor, alarm)["Location"].startswith(at(alarm, "progress/"))
    held = Hold.objects.filter(under=alarm.key)
    assert {(hold.target_kind, hold.target_key) for hold in held} == {(row["Kind"], row["Which"]) for row in told}
    assert all("finish" in hold.permits for hold in held)
    assert "There is nothing to hold" in text_of(visitor.get(at(alarm, "stop/")).content.decode())
    (row,) = rows_of(visitor.get("/containments/?csv=containments"))
    assert row["State"] == f"stopped, {len(told)} held" and row["Held still"] == str(len(told))


def test_progress_counts_what_is_still_to_do(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    assert "Nothing was held for it yet." in text_of(visitor.get(at(alarm, "progress/")).content.decode())
    stop(visitor, alarm)
    number = Hold.objects.filter(under=alarm.key).count()
    page = text_of(visitor.get(at(alarm, "progress/")).content.decode())
    assert f"Of {number} things that it held, {number} are still to do." in page
    rows = rows_of(visitor.get(at(alarm, "progress/") + "?csv=progress"))
    assert sum(int(row["Still to do"]) for row in rows) == number
    assert len(rows_of(visitor.get(at(alarm, "progress/") + "?csv=held&held-ready=no"))) > 0
    # Scanned where it was put aside; what was said stays for the next scan.
    told = {"do": "reconcile", "outcome": "segregated", "place": "cage 2 & 3", "thing": suspects.certain.key}
    response = visitor.post(at(alarm, "progress/"), told)
    # Of an address with a fragment browsers set no focus, and the next scan would go to the scan line instead.
    assert "place=cage+2+%26+3" in response["Location"] and "#" not in response["Location"]
    page = visitor.get(response["Location"]).content.decode()
    assert 'value="cage 2 &amp; 3"' in page and page.count(" autofocus") == 1
    assert f"Recorded: {suspects.certain.key}." in text_of(page)
    assert Reconciliation.objects.get().target_key == suspects.certain.key
    for thing, outcome, wrong in (
        ("NONE", "segregated", "Nothing in this plant is called"),
        (suspects.clean.key, "segregated", "is nothing of"),
        (suspects.certain.key, "lost", "It was not said what came of it."),
    ):
        refused = visitor.post(response["Location"], {**told, "thing": thing, "outcome": outcome})
        assert refused.status_code >= 400 and wrong in refused.content.decode(), wrong
        assert refused.content.decode().count(" autofocus") == 1 and "Recorded" not in refused.content.decode()
        assert 'value="cage 2 &amp; 3"' in refused.content.decode()


def test_a_group_is_decided_and_released_once_that_counts(visitor: Client, alarm: Containment) -> None:
    stop(visitor, alarm)
    told = {"do": "decide_contained", "group": "units", "decision": "use as is", "reason": "Within limits at 100 °C."}
    assert visitor.post(at(alarm, "progress/"), told).status_code == 302
    one = Disposition.objects.get(target_kind="containment")
    assert one.key in visitor.get(at(alarm, "progress/")).content.decode()
    # Who approves sees of what it decides.
    page = text_of(visitor.get(f"/dispositions/{one.key}/").content.decode())
    assert f"use as is of {one.members.count()} units. It is" in page
    listed = rows_of(visitor.get(f"/dispositions/{one.key}/?csv=members"))
    assert {row["Which"] for row in listed} == set(one.members.values_list("key", flat=True))
    assert f'href="/dispositions/{one.key}/"' in visitor.get(f"/sign/disposition/{one.key}/").content.decode()
    (row,) = rows_of(visitor.get("/dispositions/?csv=dispositions&dispositions-find=containment"))
    assert row["Of"] == f"containment {alarm.key} ({one.members.count()} things of it)"
    # Nobody else has approved it yet; of the lot, of which more may come, nothing is decided.
    refused = visitor.post(at(alarm, "progress/"), {"do": "release_contained", "reason": "Tested."})
    assert refused.status_code == 409 and "may be released yet" in refused.content.decode()
    sign(subject=one, meaning=Meaning.APPROVED, by=quality(), at=now())
    assert visitor.post(at(alarm, "progress/"), {"do": "release_contained", "reason": "Tested."}).status_code == 302
    left = Hold.objects.filter(under=alarm.key, released=None)
    assert set(left.values_list("target_kind", "target_key")) == {("lot", "K77"), ("tape", "T-2")}
    refused = visitor.post(at(alarm, "progress/"), {"do": "close_containment", "reason": "Over."})
    assert refused.status_code == 409 and "held still" in refused.content.decode()


def test_a_tape_is_scrapped_by_saying_so_and_stays_held(visitor: Client, alarm: Containment) -> None:
    def missing() -> str:
        (row,) = [row for row in rows_of(visitor.get(at(alarm, "progress/") + "?csv=held")) if row["Which"] == "T-2"]
        assert row["May go"] == "no"
        return row["What is missing"]

    def is_open() -> bool:
        return "T-2" in {row["Its key"] for row in rows_of(visitor.get(at(alarm, "progress/") + "?csv=open"))}

    stop(visitor, alarm)
    looked = {"do": "reconcile", "outcome": "scrapped", "place": "shredder", "thing": "T-2"}
    assert visitor.post(at(alarm, "progress/"), looked).status_code == 302
    assert missing() == "Tape T-2 is suspect still, and no disposition counts of it." and is_open()
    told = {"do": "decide_contained", "things": "T-2", "decision": "scrap", "reason": "The lot is on it."}
    assert visitor.post(at(alarm, "progress/"), told).status_code == 302
    sign(subject=Disposition.objects.get(members__key="T-2"), meaning=Meaning.APPROVED, by=quality(), at=now())
    key = Disposition.objects.get(members__key="T-2").key
    assert missing() == f"Tape T-2 is scrapped ({key}), and stays held, so that nobody mounts it." and not is_open()
    assert Hold.objects.filter(under=alarm.key, target_key="T-2", released=None).exists()
    rows = {row["Group"]: row for row in rows_of(visitor.get(at(alarm, "progress/") + "?csv=progress"))}
    assert rows["material"]["Done"] == "1"
    # Found again, it is to be scrapped still.
    looked |= {"outcome": "segregated", "place": "cage 2"}
    assert visitor.post(at(alarm, "progress/"), looked).status_code == 302
    assert missing().startswith(f"Tape T-2 is to be scrapped ({key})") and is_open()


def test_labels_say_what_is_held_and_are_scanned_as_the_thing(
    visitor: Client, alarm: Containment, suspects: Suspects
) -> None:
    assert visitor.get(at(alarm, "labels.pdf")).status_code == 409  # nothing is held
    stop(visitor, alarm)
    assert f'href="{at(alarm, "labels.pdf")}?from=1"' in visitor.get(at(alarm, "progress/")).content.decode()
    paper = pypdfium2.PdfDocument(visitor.get(at(alarm, "labels.pdf")).content)
    said = paper[0].get_textpage().get_text_bounded()
    paper.close()
    held = Hold.objects.filter(under=alarm.key, target_kind__in=LABELLED)
    assert said.count(f"HELD: {alarm.key}") == held.count() > 0
    assert said.count("Do not use, fit, pack or ship") == held.count()
    assert f"Unit {label_text(suspects.certain.key)}" in said and suspects.shipped.key not in said
    labels = make_held_labels(alarm, 0, 500)
    assert {label.code for label in labels} == {code_of(one.target_kind, one.target_key) for one in held}
    assert make_held_labels(alarm, 1, 500) == labels[1:]


def test_things_are_decided_and_released_one_by_one(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    stop(visitor, alarm)
    told = {"do": "decide_contained", "group": "", "decision": "scrap", "reason": "Burnt."}
    assert visitor.post(at(alarm, "progress/"), {**told, "things": ""}).status_code == 409
    told["things"] = f"{suspects.certain.key}\n\n{suspects.possible.key}\n{suspects.certain.key}"
    assert visitor.post(at(alarm, "progress/"), told).status_code == 302
    one = Disposition.objects.get(target_kind="containment")
    keys = {suspects.certain.key, suspects.possible.key}
    assert set(one.members.values_list("key", flat=True)) == keys
    page = visitor.get(f"/dispositions/{one.key}/").content.decode()
    assert all(f'href="/units/{key}/scrap/"' in page for key in keys)  # what is to be scrapped is scrapped from there
    # What is named goes, or the refusal says why it does not: not all that may go.
    release = {"do": "release_contained", "reason": "Gone.", "things": suspects.certain.key}
    refused = visitor.post(at(alarm, "progress/"), release)
    assert refused.status_code == 409 and suspects.certain.key in refused.content.decode()
    unknown = visitor.post(at(alarm, "progress/"), {**release, "things": "lot K77\nNONE"})
    assert unknown.status_code == 404
    many = visitor.post(at(alarm, "progress/"), {**release, "things": "K77\n" * 501})
    assert many.status_code == 409 and "501 things are named" in many.content.decode()
    assert not Hold.objects.filter(under=alarm.key).exclude(released=None).exists()
    assert visitor.post(at(alarm, "progress/"), {**told, "things": "K77"}).status_code == 302
    of_lot = Disposition.objects.get(members__key="K77")
    sign(subject=of_lot, meaning=Meaning.APPROVED, by=quality(), at=now())
    assert visitor.post(at(alarm, "progress/"), {**release, "things": "K77"}).status_code == 302
    released = Hold.objects.filter(under=alarm.key).exclude(released=None)
    assert [(hold.target_kind, hold.target_key) for hold in released] == [("lot", "K77")]


def test_units_are_cleared_together_by_a_test_on_record(
    visitor: Client, alarm: Containment, suspects: Suspects
) -> None:
    stop(visitor, alarm)
    units = [suspects.certain, suspects.possible]
    told = {"do": "decide_contained", "group": "units", "decision": "sort", "reason": "The test tells."}
    visitor.post(at(alarm, "progress/"), told)
    suspects.plant.do(sign, 60, subject=Disposition.objects.get(target_kind="containment"), meaning=Meaning.APPROVED)
    page = visitor.get(at(alarm, "progress/")).content.decode()
    step = suspects.plant.test.steps.get(part__key="BOARD")
    assert f'<option value="step-{step.pk}">BOARD, step {step.number}: {step.name}</option>' in page
    clear = {"do": "clear_units", "units": "\n".join(one.key for one in units), "evidence": "Report 8."}
    refused = visitor.post(at(alarm, "progress/"), {**clear, "test": f"step-{step.pk}"})
    assert refused.status_code == 409 and "was not tested since it was held" in refused.content.decode()
    assert visitor.post(at(alarm, "progress/"), {**clear, "test": "step-0"}).status_code == 404
    assert visitor.post(at(alarm, "progress/"), {**clear, "units": "K77"}).status_code == 404
    assert not Clearing.objects.exists()
    assert visitor.post(at(alarm, "progress/"), {**clear, "test": ""}).status_code == 302
    assert {one.unit for one in Clearing.objects.all()} == set(units)


def test_the_report_is_written_under_headings(visitor: Client, alarm: Containment) -> None:
    told = {"do": "write_remark", "heading": "cause", "text": "The flux was wet."}
    assert visitor.post(at(alarm, "progress/"), told).status_code == 302
    assert Remark.objects.get().text == "The flux was wet."


def test_a_clean_point_is_declared_of_a_later_unit(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    told = {"do": "declare_clean_point", "unit": suspects.certain.key, "reason": "Lot changed."}
    refused = visitor.post(at(alarm, "progress/"), told)
    assert refused.status_code == 409 and "is no clean point" in refused.content.decode()
    assert visitor.post(at(alarm, "progress/"), {**told, "unit": suspects.clean.key}).status_code == 302
    assert CleanPoint.objects.get().unit == suspects.clean
    assert "Lot changed." in text_of(visitor.get(at(alarm, "progress/")).content.decode())


def test_customers_have_lists_and_notices(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = at(alarm, "notices/")
    (row,) = rows_of(visitor.get(f"{address}?csv=shipped"))
    assert (row["Serial"], row["Customer"], row["Carton"]) == (suspects.product.key, "NORD", "CT-1")
    told = {"do": "write_notice", "customer": "NORD", "text": "Two resistors may drift. Stop using it."}
    assert visitor.post(address, told).status_code == 302
    notice = Notice.objects.get(superseded=None)
    page = visitor.get(address).content.decode()
    assert f"/sign/notice/{notice.key}/" in page and f"/notices/{notice.key}.pdf" in page and "not approved" in page
    # Who approves reads the paper with its list, and comes back to the notices.
    sign_page = visitor.get(f"/sign/notice/{notice.key}/").content.decode()
    assert f'href="/notices/{notice.key}.pdf"' in sign_page and str(notice.drafted) not in text_of(sign_page)
    refused = visitor.post(address, {"do": "send_notice", "notice": notice.key, "how": "by letter"})
    assert refused.status_code == 409 and "is not approved" in refused.content.decode()
    # It waits on the first page of another quality engineer, not on that of who wrote it.
    other = Client()
    other.force_login(make_user("quinn", [Role.QUALITY]))
    page = other.get("/").content.decode()
    assert "1 notice to a customer waits for your approval" in text_of(page) and f"/sign/notice/{notice.key}/" in page
    assert "notice to a customer" not in text_of(visitor.get("/").content.decode())
    done = visitor.post(address, {"do": "void_notice", "notice": notice.key, "reason": "Phoned."})
    assert "Done: A notice does not go out." in text_of(visitor.get(done["Location"]).content.decode())
    assert "notice to a customer" not in text_of(other.get("/").content.decode())


def test_what_is_left_held_is_released_on_the_page_of_a_closed_one(visitor: Client, alarm: Containment) -> None:
    stop(visitor, alarm)
    left = ", ".join(one.key for one in list_open(alarm, reckon(alarm), now_ticks()))
    close = {"do": "close_containment", "reason": "Over.", "open_points": f"Stay held: {left}."}
    assert visitor.post(at(alarm, "progress/"), close).status_code == 302
    page = visitor.get(at(alarm, "progress/")).content.decode()
    assert 'value="release_contained"' in page and 'value="decide_contained"' not in page
    signing = text_of(visitor.get(f"/sign/containment/{alarm.key}/").content.decode())
    alarm.refresh_from_db()
    assert str(alarm.opened) not in signing and str(alarm.closed) not in signing


def test_what_changed_since_a_snapshot(visitor: Client, alarm: Containment, suspects: Suspects) -> None:
    address = at(alarm, "compare/")
    assert "how it is now: nothing changed." in text_of(visitor.get(address).content.decode())
    suspects.plant.do(scrap_unit, 70, unit=suspects.certain, reason="cracked")
    rows = rows_of(visitor.get(f"{address}?csv=changes"))
    assert [(row["How"], row["Serial"]) for row in rows] == [("moved", suspects.certain.key)]
    visitor.post(at(alarm), {"do": "take_snapshot"})
    rows = rows_of(visitor.get(f"{address}?one=1&other=2&csv=changes"))
    assert [(row["How"], row["Serial"]) for row in rows] == [("moved", suspects.certain.key)]
    assert rows[0]["It was"].startswith("certain finished") and rows[0]["It is"].startswith("certain scrapped")


def test_who_may_approve_a_narrowed_containment_is_told_on_the_first_page(visitor: Client, alarm: Containment) -> None:
    stop(visitor, alarm)
    waits = "1 narrowed containment waits for your approval"
    assert waits not in visitor.get("/").content.decode()
    remove_term(term=alarm.terms.get(), reason="The supplier says it is good.", by=quality(), at=now())
    (row,) = rows_of(visitor.get("/containments/?csv=containments"))
    assert row["State"].startswith("stopped") and row["Needs now"].startswith("have another quality engineer approve")
    add_term(containment=alarm, joined="any", told=Told("lot", "K77"), by=quality(), at=now())
    assert waits in visitor.get("/").content.decode()
    (row,) = rows_of(visitor.get("/containments/?csv=containments"))
    assert row["Needs now"].startswith("have another quality engineer approve that it was narrowed")
    own = Client()
    own.force_login(User.objects.create_user("quinn", person=quality()))
    page = own.get("/").content.decode()
    assert "1 alarm is open" in page and waits not in page  # nobody approves what they worded
    sign(subject=alarm, meaning=Meaning.APPROVED, by=quality("OTHER"), at=now())
    assert waits not in visitor.get("/").content.decode()


def test_an_operator_sees_progress_and_does_not_stop(client: Client, alarm: Containment) -> None:
    client.force_login(make_user("olga", [Role.OPERATOR]))
    assert client.get(at(alarm, "stop/")).status_code == 403
    page = client.get(at(alarm, "progress/")).content.decode()
    assert 'value="reconcile"' in page and "decide_contained" not in page  # who packs looks for it, too
    assert client.post(at(alarm, "progress/"), {"do": "release_contained", "reason": "x"}).status_code == 409
    assert client.get(at(alarm, "notices/")).status_code == 200


# What it costs -------------------------------------------------------------------------------------------------------


def test_each_way_out_is_priced_by_rates_that_can_be_changed(visitor: Client, alarm: Containment) -> None:
    address = at(alarm, "cost/")
    ways = summarise_ways(reckon(alarm))

    def told() -> dict[str, Decimal]:
        rows = rows_of(visitor.get(f"{address}?csv=ways"))
        return {row["Way"]: Decimal(row["Together, EUR"]) for row in rows}

    assert told() == {way.words: round_money(cost.total, "EUR") for way, cost in ways.costs.items()}
    before = told()[Way.SCRAP.words]
    assert "no rate was set for this containment: to sort a unit by test; to take" in text_of(
        visitor.get(address).content.decode()
    )
    response = visitor.post(address, {"do": "set_rate", "name": "disposal", "value": "2.50", "reason": "as quoted"})
    assert response["Location"] == f"{address}?done=set_rate#rates"
    assert told()[Way.SCRAP.words] == before + Decimal("2.50") * 3  # the outermost units
    # What was set is said to be missing no more, also where it was set to be 0.
    names = ("sort_minutes", "salvage_minutes", "freight", "handling_minutes", "release_minutes", "customer_minutes")
    for name in names:
        assert "Taken to be 0" in text_of(visitor.get(address).content.decode()), name
        visitor.post(address, {"do": "set_rate", "name": name, "value": "0", "reason": "none"})
    assert "Taken to be 0" not in text_of(visitor.get(address).content.decode())
    (row,) = [row for row in rows_of(visitor.get(f"{address}?csv=rates")) if row["Value"] == "2.5"]
    assert row["Rate"] == "to dispose of a scrapped unit" and row["Reason"] == "as quoted"
    assert visitor.post(address, {"do": "set_rate", "name": "disposal", "value": "-1"}).status_code in (400, 409)
    shown = visitor.get(f"{address}?way=scrap").context["tables"]["scrap"]
    for number in range(shown.total):
        page = visitor.get(f"{address}?option=scrap&line={number}")
        assert page.context["tables"]["behind"].total > 0, number
