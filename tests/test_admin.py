"""Django's admin: master data can be looked at; only accounts and people are changed there."""

import pytest
from django.contrib import admin

from trace.core.models import Person, User
from trace.engineering.models import BomLine, Designator, Part, Site, Station, Step
from trace.floor.models import Customer
from trace.material.models import Supplier

pytestmark = pytest.mark.django_db


@pytest.fixture
def chief(client) -> User:
    user = User.objects.create_superuser("chief", password="x")
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


def test_an_account_is_linked_to_its_person(client, chief, records):
    person = Person.objects.get(key="P")
    form = client.get("/admin/trace/user/add/").context["adminform"].form
    assert "person" in form.fields
    posted = {"username": "ada", "password1": "quillmoor-7", "password2": "quillmoor-7", "person": person.pk}
    response = client.post("/admin/trace/user/add/", {**posted, "usable_password": "true"})
    assert response.status_code == 302
    assert User.objects.get(username="ada").person == person


def test_all_master_data_is_registered():
    registered = {model.__name__ for model in admin.site._registry}
    assert registered >= {"Site", "Station", "Part", "Step", "Supplier", "Customer", "Person", "User"}


def test_it_goes_by_our_own_words(client, chief):
    page = client.get("/admin/").content.decode()
    assert "<title>What the plant is made of | Traceability</title>" in page
    assert "Django" not in page[page.index("<title>") : page.index("</title>")] and "Master data" in page
