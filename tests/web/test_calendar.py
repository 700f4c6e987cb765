"""The working calendar on pages."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.test import Client

from tests.factories import Plant
from tests.web.conftest import make_user
from trace.core.clock import telling
from trace.core.permissions import Role
from trace.engineering.models import Site
from trace.engineering.shifts import DayOff, Shift

pytestmark = pytest.mark.django_db

FORM = {
    "what": "shifts", "since": "2026-03-02",
    "name-0": "Early", "weekdays-0": ["Monday", "Tuesday"], "begins-0": "06:00", "ends-0": "14:00",
    "name-1": "Night", "weekdays-1": ["Monday"], "begins-1": "22:00", "ends-1": "06:00",
    "name-2": "", "begins-2": "", "ends-2": "",
}  # fmt: skip


@pytest.fixture
def planner(client: Client) -> Client:
    Plant()
    Site.objects.update(zone="Europe/Berlin")
    client.force_login(make_user("pat", roles=[Role.PLANNER]))
    return client


def test_shifts_are_set_and_the_page_says_which_works_now(planner: Client) -> None:
    assert "No shift is set yet." in planner.get("/calendar/").content.decode()
    saved = planner.post("/calendar/set/", FORM).headers["Location"]
    assert saved == "/calendar/set/?set=shifts#shifts"
    assert "The shifts are set: Early, Night hold from 2026-03-02 on." in _notice(planner, saved)
    with telling(datetime(2026, 3, 2, 23, tzinfo=UTC)):  # midnight at the plant
        page = planner.get("/calendar/").content.decode()
        assert "Shift Night works now" in page and "22:00" in page and "06:00 next day" in page
    with telling(datetime(2026, 3, 4, 8, tzinfo=UTC)):
        assert "No shift works now." in planner.get("/calendar/").content.decode()
    form = planner.get("/calendar/set/").content.decode()
    assert 'value="Night"' in form and form.count("checked") == 3
    saved = planner.post("/calendar/set/", {"what": "shifts", "since": "2026-04-01", "name-0": ""})["Location"]
    assert "there is none, and the plant’s day counts as one" in _notice(planner, saved)
    assert not Shift.objects.filter(until=None).exists() and Shift.objects.count() == 2


def _notice(planner: Client, address: str) -> str:
    """The one notice of the page, and all of the form that it stands in."""
    page = planner.get(address).content.decode()
    assert page.count('role="status"') == 1
    return next(form for form in page.split("<form ") if 'role="status"' in form)


@pytest.mark.parametrize(
    ("wrong", "status"),
    [
        ({"begins-0": "six"}, 409),
        ({"since": "soon"}, 400),
        ({"weekdays-0": []}, 409),
        ({"begins-1": "05:00", "ends-1": "07:00"}, 409),
    ],
)
def test_what_is_refused_stays_in_the_form(planner: Client, wrong: dict, status: int) -> None:
    answer = planner.post("/calendar/set/", {**FORM, **wrong})
    page = answer.content.decode()
    assert answer.status_code == status and 'value="Night"' in page and page.count('role="alert"') == 1
    shifts, days = page[page.index('id="shifts"') :].split('id="days-off"')
    assert "The shifts were not set: those before still hold." in shifts and "not set" not in days
    assert not Shift.objects.exists()


def test_days_off_are_set_by_the_year(planner: Client) -> None:
    days = {"what": "days off", "year": "2026", "days": "2026-05-01 May Day\n\n2026-12-25  Christmas "}
    saved = planner.post("/calendar/set/", days)["Location"]
    assert saved == "/calendar/set/?set=days&year=2026#days-off"
    notice = _notice(planner, saved)
    assert "The days off are set: 2 in 2026." in notice and "2026-12-25 Christmas" in notice
    assert list(DayOff.objects.values_list("name", flat=True)) == ["May Day", "Christmas"]
    page = planner.get("/calendar/").content.decode()
    assert "Christmas" in page and "Friday" in page
    assert "2026-12-25 Christmas" in planner.get("/calendar/set/?year=2026").content.decode()
    for wrong, status in (({"year": "x"}, 409), ({"year": "2027"}, 409), ({"days": "tomorrow x"}, 400)):
        answer = planner.post("/calendar/set/", {**days, **wrong})
        shifts, off = answer.content.decode().split('id="days-off"')
        assert answer.status_code == status and "The days off were not set" in off and "not set" not in shifts


def test_who_does_not_plan_may_look(client: Client) -> None:
    Plant()
    client.force_login(make_user("op", roles=[Role.OPERATOR]))
    page = client.get("/calendar/").content.decode()
    assert "Set shifts" not in page and client.get("/calendar/set/").status_code == 403


def test_there_is_no_year_nought(planner: Client) -> None:
    assert planner.get("/calendar/set/?year=0000").status_code == 200
