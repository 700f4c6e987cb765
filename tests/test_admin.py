"""Django's admin: master data can be looked at; only accounts and people are changed there."""

import pytest
from django.contrib import admin

from tests.factories import make_person
from tests.web.conftest import make_user
from trace.core.models import Person, User
from trace.core.permissions import Role
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.models import BomLine, Designator, Part, Site, Station, Step
from trace.engineering.shifts import DayOff, Shift
from trace.floor.models import Customer
from trace.ledger.models import Event
from trace.material.models import Supplier

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
    for record in [*records, chief]:
        base = f"/admin/trace/{record._meta.model_name}/"
        for path in (base, f"{base}{record.pk}/change/"):
            assert client.get(path).status_code == 200, path


def test_what_has_operations_is_only_shown_and_nothing_is_deleted(client, chief, records):
    for record in records:
        base = f"/admin/trace/{record._meta.model_name}/"
        by_hand = isinstance(record, Person)
        assert client.get(f"{base}add/").status_code == (200 if by_hand else 403)
        assert client.post(f"{base}{record.pk}/change/", {"name": "changed"}).status_code == (302 if by_hand else 403)
        assert client.get(f"{base}{record.pk}/delete/").status_code == 403
    assert client.get(f"/admin/trace/user/{chief.pk}/delete/").status_code == 403


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
    assert client.post(f"/admin/trace/person/{chief.person.pk}/change/", {"roles": ["planner"]}).status_code == 409
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
    assert registered >= {"Site", "Station", "Part", "Step", "Supplier", "Customer", "Person", "User"}


def test_it_goes_by_our_own_words(client, chief):
    page = client.get("/admin/").content.decode()
    assert "<title>What the plant is made of | Traceability</title>" in page
    assert "Django" not in page[page.index("<title>") : page.index("</title>")] and "Master data" in page
