"""Django's admin: everything it changes, operations change; what they refuse is said beside the form."""

import re
from decimal import Decimal

import pytest
from django.contrib import admin

from tests.factories import make_person, make_station
from tests.web.conftest import make_user
from trace.core.clock import now
from trace.core.models import Badge, Device, Person, User
from trace.core.permissions import Role
from trace.core.secrecy import badge_digest, device_digest
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.models import BomLine, Designator, Part, Qualification, Qualified, Site, Station, Step
from trace.engineering.shifts import DayOff, Shift
from trace.floor.models import Customer
from trace.ledger.models import Event
from trace.material.models import PlannedInspection, Supplier

pytestmark = pytest.mark.django_db


@pytest.fixture
def chief(client) -> User:
    user = make_user("chief", roles=[Role.ADMINISTRATOR])
    client.force_login(user)
    return user


@pytest.fixture
def records(db) -> list:
    site = Site.objects.create(key="S", name="s")
    board = Part.objects.create(key="B", number="B", name="b", kind="assembly", level=1)
    chip = Part.objects.create(key="C", number="C", name="c")
    line = BomLine.objects.create(parent=board, child=chip, parent_level=1, child_level=0, number=1, quantity=1)
    Designator.objects.create(parent=board, line=line, name="U1")
    return [
        site,
        Station.objects.create(key="ST", name="s", site=site),
        board,
        line,
        Step.objects.create(part=board, number=10, name="s"),
        Supplier.objects.create(key="SU", name="s"),
        Customer.objects.create(key="CU", name="c"),
        Person.objects.create(key="P", name="p"),
        Shift.objects.create(name="s", weekdays=["Monday"], begins="06:00", ends="14:00", since="2026-03-02"),
        DayOff.objects.create(day="2026-03-02", name="d"),
        Equipment.objects.create(key="E", name="e", kind="oven"),
        CheckPiece.objects.create(key="CP", name="c", kind="oven", good=True),
        Program.objects.create(key="PR", name="p", kind="oven", revision="1"),
    ]


def test_every_page_opens(client, chief, records):
    for record in [*(record for record in records if not isinstance(record, Step)), chief]:
        base = f"/admin/trace/{record._meta.model_name}/"
        for path in (base, f"{base}{record.pk}/change/"):
            assert client.get(path).status_code == 200, path


def test_an_administrator_looks_at_what_planners_write_and_nothing_is_deleted(client, chief, records):
    for record in records:
        if isinstance(record, Step):
            continue  # on its part's page
        base = f"/admin/trace/{record._meta.model_name}/"
        may_add = isinstance(record, Person | Site)
        assert client.get(f"{base}add/").status_code == (200 if may_add else 403)
        changed = client.post(f"{base}{record.pk}/change/", {"name": "changed"})
        assert changed.status_code == (302 if isinstance(record, Person) else 403)
        assert client.get(f"{base}{record.pk}/delete/").status_code == 403
    assert client.get(f"/admin/trace/user/{chief.pk}/delete/").status_code == 403


# What planners write -------------------------------------------------------------------------------------------------


@pytest.fixture
def planner(client):
    user = make_user("pia", roles=[Role.PLANNER])
    client.force_login(user)
    return user


def test_a_planner_defines_and_corrects_by_operations(client, planner, records):
    site = records[0]
    new = {"key": "ws-1", "name": "Wave", "site": site.pk, "area": "", "scan_mode": "gated", "work_seconds": "0"}
    refused = client.post("/admin/trace/station/add/", {**new, "key": "WS 1"})
    assert refused.status_code == 200 and "“WS 1” is not a key." in refused.content.decode()
    assert client.post("/admin/trace/station/add/", {**new, "rate_per_hour": "31.5"}).status_code == 302
    wave = Station.objects.get(key="WS-1")
    assert (wave.name, wave.rate_per_hour) == ("Wave", Decimal("31.5"))
    change = f"/admin/trace/station/{wave.pk}/change/"
    assert client.post(change, {**new, "name": "Wave solder", "rate_per_hour": "31.5"}).status_code == 302
    wave.refresh_from_db()
    assert wave.name == "Wave solder"
    assert client.post(change, {**new, "name": "Wave solder", "rate_per_hour": "31.5"}).status_code == 302  # as it is
    assert list(Event.objects.order_by("id").values_list("verb", "by__key")) == [
        ("define_station", "U-PIA"),
        ("amend_record", "U-PIA"),
    ]
    history = client.get(f"/admin/trace/station/{wave.pk}/history/")
    assert history.status_code == 302 and client.get(history.url).content.decode().count("correct master data")


def test_a_planner_defines_equipment_its_check_pieces_and_programs(client, planner):
    told = {"kind": "board tester", "name": "Board tester"}
    for model, more in (
        ("equipment", {"key": "TST-1", "calibrate_every": "365"}),
        ("checkpiece", {"key": "CP-1"}),  # the box for good left empty: known to be bad
        ("program", {"key": "PRG-1", "revision": "3"}),
    ):
        answer = client.post(f"/admin/trace/{model}/add/", {**told, **more})
        assert answer.status_code == 302, answer.content.decode()
    assert Equipment.objects.get().calibrate_every == 365 and not CheckPiece.objects.get().good
    assert list(Event.objects.order_by("id").values_list("verb", flat=True)) == [
        "define_equipment",
        "define_check_piece",
        "define_program",
    ]


def rows(prefix: str, was: list, *lines: dict) -> dict:
    """What a form sends for the lines of an inline: those there were first, by their ids."""
    sent = {f"{prefix}-TOTAL_FORMS": len(lines), f"{prefix}-INITIAL_FORMS": len(was)}
    for number, line in enumerate(lines):
        own = {"id": was[number].pk} if number < len(was) else {}
        sent |= {f"{prefix}-{number}-{name}": value for name, value in {**own, **line}.items()}
    return sent


def test_a_planner_mends_the_lines_of_a_draft(client, planner, records):
    _, station, board, line, step, *_ = records
    chip = line.child
    Designator.objects.update(step_number=10)
    page = f"/admin/trace/part/{board.pk}/change/"
    Part.objects.filter(pk=board.pk).update(serialised=True)
    own = {"name": "Board", "serialised": "on"}
    lines = rows("lines", [line], {"child": chip.pk, "quantity": "2", "designators": "U1, U2", "step_number": "10"})
    steps = rows(
        "steps",
        [step],
        {"number": "10", "name": "Insert", "stations": [station.pk], "minutes": "1.5", "caution": "Hot"},
        {
            "number": "20",
            "name": "Test",
            "stations": [station.pk],
            "minutes": "0",
            "sample_every": "5",
            "attempts": "3",
            "verification": "anybody",
        },
    )
    looked = rows("characteristics", [], {"step_number": "10", "name": "Height", "unit_of_measure": "mm", "upper": "9"})
    wrong = {**lines, "lines-0-quantity": "3"}
    refused = client.post(page, {**own, **wrong, **steps, **looked})
    assert refused.status_code == 200 and "the designators hold 2: U1, U2" in refused.content.decode()
    assert " object (" not in refused.content.decode()
    assert board.designators.count() == 1
    done = client.post(page, {**own, **lines, **steps, **looked})
    assert done.status_code == 302, done.content.decode()
    board.refresh_from_db()
    assert board.name == "Board"
    assert list(board.designators.values_list("name", "step_number")) == [("U1", 10), ("U2", 10)]
    assert list(board.steps.values_list("number", "caution", "sample_every", "attempts", "verification")) == [
        (10, "Hot", None, None, ""),
        (20, "", 5, 3, "anybody"),
    ]
    assert list(board.characteristics.values_list("name", "upper")) == [("Height", 9)]
    verbs = list(Event.objects.order_by("id").values_list("verb", flat=True))
    assert verbs == ["amend_record", "set_bom", "set_route", "set_characteristics"]
    assert f'href="/parts/{board.key}/release/"' in client.get(page).content.decode()
    Part.objects.filter(pk=board.pk).update(released=now())
    shown = client.get(page).content.decode()
    assert "/release/" not in shown
    assert "U1, U2" in shown and "lines-0-quantity" not in shown, "what is released is only shown"


def test_what_is_inspected_of_a_bought_part_is_set_by_an_operation(client, planner, records):
    chip = records[3].child
    page = f"/admin/trace/part/{chip.pk}/change/"
    sample = {"name": "Marking", "manner": "sample", "aql": "0.65", "level": "II"}
    refused = client.post(page, {"name": "c", **rows("inspection", [], {**sample, "aql": "0.7"})})
    assert refused.status_code == 200 and "there is no AQL of 0.7" in refused.content.decode()
    done = client.post(page, {"name": "c", **rows("inspection", [], sample)})
    assert done.status_code == 302, done.content.decode()
    assert PlannedInspection.objects.get(part=chip).level == "II"
    assert Event.objects.get().verb == "set_inspection"
    assert "inspection-0-manner" in client.get(page).content.decode()


def test_a_person_is_added_and_given_roles_by_operations(client, chief):
    posted = {"key": "p-7", "name": "Ida", "roles": ["planner", "auditor"]}
    assert client.post("/admin/trace/person/add/", posted).status_code == 302
    ida = Person.objects.get(key="P-7")
    assert (ida.name, ida.roles) == ("Ida", ["auditor", "planner"])
    change = f"/admin/trace/person/{ida.pk}/change/"
    assert client.post(change, {"roles": ["operator"]}).status_code == 302
    ida.refresh_from_db()
    assert (ida.name, ida.roles) == ("Ida", ["operator"])
    assert list(Event.objects.order_by("id").values_list("verb", "by__key")) == [
        ("add_person", "U-CHIEF"),
        ("set_roles", "U-CHIEF"),
    ]
    assert client.post(change, {"roles": ["emperor"]}).status_code == 200  # the form again, with what is wrong
    refused = client.post(f"/admin/trace/person/{chief.person.pk}/change/", {"roles": ["planner"]})
    assert refused.status_code == 200 and "Then there would be no administrator." in refused.content.decode()
    assert re.search(r'value="planner"[^>]* checked', refused.content.decode()), "what was chosen stays"
    refused = client.post("/admin/trace/person/add/", {**posted, "key": "p 8"})
    assert refused.status_code == 200 and "“p 8” is not a key" in refused.content.decode()
    chief.person.refresh_from_db()
    assert chief.person.roles == ["administrator"]


def test_an_account_is_opened_for_a_person_closed_and_opened_again(client, chief):
    person = make_person("P", roles=[])
    posted = {"username": "ada", "password1": "quillmoor-7", "password2": "quillmoor-7", "usable_password": "true"}
    assert client.post("/admin/trace/user/add/", posted).status_code == 200  # whose?
    assert client.post("/admin/trace/user/add/", {**posted, "person": person.pk}).status_code == 302
    ada = User.objects.get(username="ada")
    assert ada.person == person and ada.check_password("quillmoor-7")
    assert not Event.objects.filter(payload__contains="quillmoor-7").exists()
    again = client.post("/admin/trace/user/add/", {**posted, "username": "ada2", "person": person.pk})
    assert again.status_code == 200 and "has the account ada already" in again.content.decode()
    assert 'value="ada2"' in again.content.decode() and User.objects.filter(person=person).count() == 1
    for action, open_then in (("close", False), ("open_again", True)):
        posted = {"action": action, "_selected_action": [ada.pk]}
        assert client.post("/admin/trace/user/", posted).status_code == 302
        ada.refresh_from_db()
        assert ada.is_active is open_then
    assert not ada.check_password("quillmoor-7")
    password = {"password1": "quillmoor-8", "password2": "quillmoor-8", "usable_password": "true"}
    assert client.post(f"/admin/trace/user/{ada.pk}/password/", password).status_code == 302
    ada.refresh_from_db()
    assert ada.check_password("quillmoor-8")
    assert client.post("/admin/trace/person/", {"action": "retire", "_selected_action": [person.pk]}).status_code == 302
    ada.refresh_from_db()
    assert not ada.is_active


def test_a_badge_is_issued_and_ended_by_operations_and_shows_no_secret(client, chief):
    bob = make_person("BOB", roles=[Role.OPERATOR])
    told = {"person": bob.pk, "code": "BDG-1", "pin": "8305", "again": "8306"}
    page = client.post("/admin/trace/badge/add/", told)
    assert "The two PINs differ" in page.content.decode() and "8305" not in page.content.decode()
    weak = client.post("/admin/trace/badge/add/", {**told, "pin": "1111", "again": "1111"})
    assert weak.status_code == 200 and "guessed at once" in weak.content.decode()
    assert 'value="BDG-1"' in weak.content.decode() and "1111" not in weak.content.decode()
    assert client.post("/admin/trace/badge/add/", {**told, "again": "8305"}).status_code == 302
    badge = Badge.objects.get()
    assert badge.person == bob and badge.digest == badge_digest("BDG-1")
    for path in ("", f"{badge.pk}/change/"):
        page = client.get(f"/admin/trace/badge/{path}").content.decode()
        assert badge.digest not in page and badge.pin not in page
    assert client.post("/admin/trace/badge/", {"action": "end", "_selected_action": [badge.pk]}).status_code == 302
    badge.refresh_from_db()
    assert badge.ended
    client.force_login(make_user("pia", roles=[Role.PLANNER]))
    assert client.get("/admin/trace/badge/add/").status_code == 403


def test_a_device_shows_its_secret_once(client, chief):
    stations = [make_station("WS1"), make_station("WS2")]
    told = {"key": "kiosk-1", "name": "wave solder", "at": [station.pk for station in stations]}
    page = client.post("/admin/trace/device/add/", told, follow=True).content.decode()
    secret = re.search(r"shown once: ([A-Z2-9-]{24})", page)[1]
    device = Device.objects.get()
    assert (device.key, device.stations, device.digest) == ("KIOSK-1", ["WS1", "WS2"], device_digest(secret))
    page = client.get(f"/admin/trace/device/{device.pk}/change/").content.decode()
    assert secret not in page and device.digest not in page and "WS1, WS2" in page
    renew = {"action": "renew", "_selected_action": [device.pk]}
    assert "shown once" in client.post("/admin/trace/device/", renew, follow=True).content.decode()
    device.refresh_from_db()
    assert device.digest != device_digest(secret) and device.stations == ["WS1", "WS2"]
    end = {"action": "end", "_selected_action": [device.pk]}
    assert "bound no more" in client.post("/admin/trace/device/", end, follow=True).content.decode()
    device.refresh_from_db()
    assert device.ended
    again = client.post("/admin/trace/device/", end, follow=True)
    assert again.status_code == 200 and "KIOSK-1" in again.content.decode() and "ended at" in again.content.decode()
    page = client.post("/admin/trace/device/add/", {**told, "key": "KIOSK 2"}).content.decode()
    assert "“KIOSK 2” is not a key" in page and "shown once" not in page and 'value="wave solder"' in page
    assert Device.objects.count() == 1


def test_a_qualification_is_defined_given_and_ended_by_operations(client, chief):
    client.force_login(make_user("pia", roles=[Role.PLANNER]))
    assert client.post("/admin/trace/qualification/add/", {"key": "q", "name": "hand soldering"}).status_code == 302
    bob, qualification = make_person("BOB"), Qualification.objects.get(key="Q")
    told = {"person": bob.pk, "qualification": qualification.pk, "since_0": "2026-01-01", "since_1": "08:00"}
    told |= {"vouched_by": chief.person.pk, "note": "certificate 7"}
    assert client.post("/admin/trace/qualified/add/", told).status_code == 403
    client.force_login(chief)
    assert client.get("/admin/trace/qualified/add/").status_code == 200
    assert client.post("/admin/trace/qualified/add/", told).status_code == 302
    own = client.post("/admin/trace/qualified/add/", {**told, "person": chief.person.pk})
    assert own.status_code == 200 and "Nobody vouches for themselves" in own.content.decode()
    assert 'value="certificate 7"' in own.content.decode()
    period = Qualified.objects.get()
    assert (period.person, period.until, period.note) == (bob, None, "certificate 7")
    assert client.get(f"/admin/trace/qualified/{period.pk}/change/").status_code == 200
    posted = {"action": "end", "_selected_action": [period.pk]}
    assert client.post("/admin/trace/qualified/", posted).status_code == 302
    assert Qualified.objects.get(superseded=None).until is not None
    verbs = ["define_qualification", "qualify_person", "end_qualification"]
    assert list(Event.objects.order_by("id").values_list("verb", flat=True)) == verbs


def test_a_planner_looks_at_people_and_changes_none(client, chief):
    planner = make_user("pia", roles=[Role.PLANNER])
    client.force_login(planner)
    for kind, pk in (("person", chief.person.pk), ("user", chief.pk)):
        looked = client.get(f"/admin/trace/{kind}/{pk}/change/")
        assert looked.status_code == 200 and chief.password not in looked.content.decode()
        assert client.get(f"/admin/trace/{kind}/add/").status_code == 403
        assert client.post(f"/admin/trace/{kind}/{pk}/change/", {"roles": ["planner"]}).status_code == 403
    assert client.get(f"/admin/trace/user/{chief.pk}/password/").status_code == 403
    client.force_login(make_user("olga", roles=[Role.OPERATOR]))
    assert client.get("/admin/").status_code == 403


def test_all_master_data_is_registered():
    registered = {model.__name__ for model in admin.site._registry}
    assert registered >= {"Site", "Station", "Part", "Source", "Supplier", "Customer", "Person", "User"}


def test_it_goes_by_our_own_words(client, chief):
    page = client.get("/admin/").content.decode()
    menu = re.findall(r'<th scope="row"[^>]*>\s*<a [^>]*>([^<]+)</a>', page)
    assert menu == [
        *(
            "Accounts",
            "Approved sources",
            "BOM lines",
            "Badges",
            "Cause codes",
            "Check pieces",
            "Customers",
            "Days off",
        ),
        *("Devices", "Equipment", "Fault codes", "Parts", "People", "Programs", "Qualifications"),
        *("Qualified people", "Racks and panels", "Serial rules", "Shifts", "Sites", "Stations", "Suppliers"),
    ]
    assert "<title>What the plant is made of | Traceability</title>" in page
    assert "Django" not in page[page.index("<title>") : page.index("</title>")] and "Master data" in page
