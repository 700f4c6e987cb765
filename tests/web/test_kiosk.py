"""A browser bound to stations, badge and PIN at it, a quick change of operator, and what may be recorded there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any
from unittest import mock

import pytest
from axes.models import AccessAttempt
from django.conf import settings
from django.core.cache import cache
from django.test import Client

from tests.factories import Plant, make_person, make_station, moment
from tests.web.conftest import make_user
from tests.web.test_answers import text_of
from trace.core.clock import now
from trace.core.models import Device, Person, User
from trace.core.permissions import Role
from trace.core.secrecy import Secret, device_digest, make_device_secret
from trace.engineering.equipment import PieceCheck
from trace.engineering.operations import (
    define_check_piece,
    define_equipment,
    end_badge,
    end_device,
    issue_badge,
    issue_device,
    retire_person,
)
from trace.floor.models import Fitting, Pass
from trace.floor.operations.passes import start_pass
from trace.floor.operations.tapes import load_head, resume_tape
from trace.ledger.models import Event
from trace.material.models import Feed
from trace.material.operations.setups import finish_tape, start_tape
from trace.web import kiosk

pytestmark = pytest.mark.django_db

BOB, EVE = ("BDG-00417", "8305"), ("BDG-00418", "71905")


class Shop:
    """A plant with a device at insertion, two operators with badges, and the device's browser."""

    def __init__(self) -> None:
        self.plant, self.browser = Plant(), Client()
        self.bob, self.eve = (make_person(key, roles=[Role.OPERATOR]) for key in ("BOB", "EVE"))
        for person, (code, pin) in ((self.bob, BOB), (self.eve, EVE)):
            self.plant.do(issue_badge, person=person, code=Secret(code), pin=Secret(pin))
        self.secret = make_device_secret()
        self.device = self.issue(self.secret)
        self.bind()

    def issue(self, secret: str, key: str = "KIOSK-1") -> Device:
        told = {"key": key, "name": "insertion", "stations": [self.plant.insertion]}
        return self.plant.do(issue_device, **told, digest=device_digest(secret))

    def bind(self) -> None:
        chief = User.objects.filter(username="chief").first() or make_user("chief", roles=[Role.ADMINISTRATOR])
        self.browser.force_login(chief)
        self.browser.post("/device/", {"secret": self.secret})

    def sign_in(self, badge: tuple[str, str], **more: Any) -> Any:
        """Scan the badge and type its PIN."""
        code, pin = badge
        asked = self.browser.post("/badge/", {"code": code, **more})
        return self.prove(asked, pin)

    def prove(self, asked: Any, pin: str) -> Any:
        fields = dict(re.findall(r'name="(badge|next)" value="([^"]*)"', asked.content.decode()))
        return self.browser.post("/badge/", {**fields, "pin": pin})

    def who(self) -> str:
        """Whose session it is, by the page."""
        page = self.browser.get("/")
        return re.findall(r'href="/people/(\w+)/"', page.content.decode())[0] if page.status_code == 200 else ""


@pytest.fixture
def shop(db: None) -> Shop:
    cache.clear()  # it outlives a test, and an account's number may come again
    return Shop()


@contextmanager
def later(**time: float) -> Iterator[None]:
    moment: datetime = now() + timedelta(**time)
    with mock.patch.object(kiosk, "now", return_value=moment):
        yield


# Devices -------------------------------------------------------------------------------------------------------------


def test_a_browser_is_bound_by_an_administrator_who_is_then_signed_out(shop: Shop) -> None:
    cookie = shop.browser.cookies["device"]
    assert (cookie["httponly"], cookie["samesite"], cookie["max-age"]) == (True, "Strict", 400 * 86_400)
    shop.device.refresh_from_db()
    assert shop.device.bound and Event.objects.get(verb="bind_device").by.key == "U-CHIEF"
    assert shop.browser.get("/").url == "/sign-in/?next=/"
    assert shop.browser.get("/sign-in/?next=/").url == "/badge/?next=%2F"
    page = text_of(shop.browser.get("/badge/").content.decode())
    assert "Scan your badge" in page and "This is insertion, for INSERT." in page
    assert "Scan your badge" not in Client().get("/badge/", follow=True).content.decode()


def test_a_wrong_secret_binds_nothing_and_a_browser_may_be_released(shop: Shop) -> None:
    shop.browser.force_login(make_user("other", roles=[Role.ADMINISTRATOR]))
    answer = shop.browser.post("/device/", {"secret": make_device_secret()})
    assert answer.status_code == 404 and "No device in use has this secret" in answer.content.decode()
    assert "It is insertion" in text_of(shop.browser.get("/device/").content.decode())
    shop.browser.post("/device/", {"release": "1"})
    assert "It is none." in text_of(shop.browser.get("/device/").content.decode())
    typed = shop.secret.replace("-", " ").lower()  # as a hand types it
    assert shop.browser.post("/device/", {"secret": typed}).url == "/sign-in/"


@pytest.mark.parametrize("how", ["ended", "issued anew", "forged", "another's"])
def test_a_device_that_is_none_any_more_signs_nobody_in_and_who_is_in_is_out(shop: Shop, how: str) -> None:
    shop.sign_in(BOB)
    assert shop.who() == "BOB"
    if how == "ended":
        shop.plant.do(end_device, device=shop.device)
    elif how == "issued anew":
        shop.issue(make_device_secret())
    elif how == "forged":
        shop.browser.cookies["device"] = f"{shop.device.digest}:1tGZ3x:{'a' * 43}"
    else:
        other, session = make_device_secret(), shop.browser.cookies[settings.SESSION_COOKIE_NAME].value
        shop.issue(other, "KIOSK-2")
        shop.secret, shop.browser = other, Client()
        shop.bind()
        shop.browser.cookies[settings.SESSION_COOKIE_NAME] = session
    assert shop.who() == ""


# Badge and PIN -------------------------------------------------------------------------------------------------------


def test_a_badge_and_its_pin_lead_where_somebody_wanted_to_go(shop: Shop) -> None:
    answer = shop.sign_in(BOB, next="/floor/")
    assert answer.url == "/floor/" and shop.who() == "BOB"
    assert shop.sign_in(EVE, next="https://evil.example/").url == "/station/INSERT/" and shop.who() == "EVE"


def test_an_operator_lands_at_the_station_of_the_device(shop: Shop) -> None:
    assert shop.sign_in(BOB, next="/").url == "/station/INSERT/"
    assert '/station/INSERT/"' in shop.browser.get("/").content.decode()
    Person.objects.filter(key="EVE").update(roles=[Role.QUALITY])
    assert shop.sign_in(EVE).url == "/", "who may scan nothing in there"
    Device.objects.update(stations=["INSERT", "TEST"])
    assert shop.sign_in(BOB).url == "/"
    shop.browser.post("/sign-out/")
    assert shop.who() == ""


def test_an_unknown_badge_an_old_prompt_and_an_ended_badge_are_told(shop: Shop) -> None:
    assert "No badge in use has this code" in shop.browser.post("/badge/", {"code": "NONE"}).content.decode()
    asked = shop.browser.post("/badge/", {"code": BOB[0]})
    with mock.patch("trace.web.views.kiosk.PROMPT", -1):
        assert "That took too long" in shop.prove(asked, BOB[1]).content.decode()
    shop.plant.do(end_badge, person=shop.bob)
    assert "That took too long, or the badge ended" in shop.prove(asked, BOB[1]).content.decode()
    assert shop.browser.post("/badge/", {"badge": "forged", "pin": BOB[1]}).status_code == 200 and shop.who() == ""


def test_wrong_pins_lock_the_badge_at_that_device_and_leave_no_pin_behind(shop: Shop) -> None:
    for _ in range(settings.AXES_FAILURE_LIMIT - 1):
        assert "That is not the PIN of this badge" in shop.sign_in((BOB[0], "8306")).content.decode()
    locked = shop.sign_in((BOB[0], "8306"))
    assert locked.status_code == 429 and "Wait a quarter of an hour" in locked.content.decode()
    assert shop.sign_in(BOB).status_code == 429 and shop.who() == ""
    attempt = AccessAttempt.objects.get()
    assert "8306" not in f"{attempt.post_data}{attempt.get_data}" and BOB[0] not in attempt.post_data
    assert shop.sign_in(EVE).status_code == 302 and shop.who() == "EVE"


def test_the_right_pin_forgets_the_wrong_ones(shop: Shop) -> None:
    for pin in ("8306", BOB[1], "8306", BOB[1]) * 4:
        shop.sign_in((BOB[0], pin))
    assert shop.who() == "BOB"


def names(answer: Any) -> bool:
    """Whether an answer tells whose badge it is."""
    shown = text_of(answer.content.decode())  # what is random in the page may spell a name
    return "Bob" in shown or "Eve" in shown or answer.get("Location") is not None


def ask(browser: Client, code: str) -> Any:
    return browser.post("/badge/", {"code": code})


@pytest.mark.parametrize("codes", [("NONE",), (BOB[0],), ("NONE", EVE[0])])
def test_who_scans_badge_after_badge_without_a_pin_is_told_no_more_names(shop: Shop, codes: tuple[str, ...]) -> None:
    """Codes are often numbered one after the other: tried through, they would say who has which."""
    for number in range(kiosk.BADGES):
        answer = ask(shop.browser, code := codes[number % len(codes)])
        assert (answer.status_code, names(answer)) == ((404, False) if code == "NONE" else (200, True))
    tried = [ask(shop.browser, code) for code in (BOB[0], EVE[0], "NONE")]
    assert {answer.status_code for answer in tried} == {429} and not any(map(names, tried))
    # Nothing in the answers tells a badge from none.
    assert len({text_of(answer.content.decode()) for answer in tried}) == 1
    assert "Wait a quarter of an hour" in tried[0].content.decode()
    # Another device goes on, and so does this one once the wait is over.
    shop.secret, shop.browser, first = make_device_secret(), Client(), shop.browser
    shop.issue(shop.secret, "KIOSK-2")
    shop.bind()
    assert shop.sign_in(BOB).status_code == 302
    with mock.patch("django.core.cache.backends.locmem.time.time", return_value=now().timestamp() + kiosk.WAIT + 1):
        assert ask(first, BOB[0]).status_code == 200


def test_a_right_pin_forgets_the_badges_before_it(shop: Shop) -> None:
    for _ in range(3):
        for _ in range(kiosk.BADGES - 1):
            ask(shop.browser, "NONE")
        assert shop.sign_in(BOB).status_code == 302
        shop.browser.post("/sign-out/")


def test_the_scan_line_and_the_field_of_the_pin_tell_no_more_names_either(shop: Shop) -> None:
    shop.sign_in(BOB)
    asked = shop.browser.get("/scan/", {"q": EVE[0]})
    for number in range(1, kiosk.BADGES):
        again = shop.browser.get("/scan/", {"q": EVE[0]}) if number % 2 else shop.prove(asked, BOB[0])
        assert names(again)
    tried = [shop.browser.get("/scan/", {"q": code}) for code in (EVE[0], "NONE")]
    assert [answer.status_code for answer in tried] == [429, 429]
    assert shop.browser.get("/scan/", {"q": "SLOT-R"}).status_code == 302  # of what is no badge nothing changes
    wrong = shop.prove(asked, BOB[0]).content.decode()
    assert "That is not the PIN of this badge" in wrong and "<h1>Bob</h1>" not in wrong
    assert shop.prove(asked, EVE[1]).status_code == 302 and shop.who() == "EVE"
    assert names(shop.browser.get("/scan/", {"q": BOB[0]}))


def test_at_a_desk_too_badges_are_not_tried_through(shop: Shop) -> None:
    desk = Client()
    desk.force_login(make_user())
    for _ in range(kiosk.BADGES):
        assert desk.get("/scan/", {"q": BOB[0]}).url == "/people/BOB/"
    assert [desk.get("/scan/", {"q": code}).status_code for code in (BOB[0], EVE[0], "NONE")] == [429] * 3


def test_another_badge_at_the_scan_line_asks_its_pin_and_changes_the_operator(shop: Shop) -> None:
    shop.sign_in(BOB)
    before = shop.browser.session.session_key
    assert "To change operator, scan another badge." in text_of(shop.browser.get("/").content.decode())
    asked = shop.browser.get("/scan/", {"q": f"]C1{EVE[0].lower()}"})
    assert "Bob stays signed in until the PIN is right" in text_of(asked.content.decode())
    assert shop.who() == "BOB"
    shop.prove(asked, "0000")
    assert shop.who() == "BOB" and shop.browser.session.session_key == before
    # Somebody scans theirs into the PIN's field: no wrong PIN, but their prompt.
    asked = shop.prove(asked, BOB[0])
    assert "<h1>Bob</h1>" in asked.content.decode()
    shop.prove(shop.browser.get("/scan/", {"q": EVE[0]}), EVE[1])
    assert shop.who() == "EVE" and shop.browser.session.session_key != before
    assert set(shop.browser.session.keys()) == {"badge", "device", "began", "seen"}


def test_elsewhere_a_badge_is_somebodys_page(shop: Shop) -> None:
    desk = Client()
    desk.force_login(make_user())
    assert desk.get("/scan/", {"q": BOB[0]}).url == "/people/BOB/"
    assert desk.post("/badge/", {"code": BOB[0]}).url == "/sign-in/"


def test_a_session_by_badge_ends_when_idle_after_a_shift_and_with_the_badge(shop: Shop) -> None:
    shop.sign_in(BOB)
    with later(seconds=settings.BADGE_IDLE - 60):
        assert shop.who() == "BOB"
    with later(seconds=2 * settings.BADGE_IDLE - 120):
        assert shop.who() == "BOB"
    with later(seconds=3 * settings.BADGE_IDLE):
        assert shop.who() == ""
    shop.sign_in(BOB)
    for minutes in range(0, settings.SESSION_COOKIE_AGE // 60, 9):
        with later(minutes=minutes):
            assert shop.who() == "BOB"
    with later(seconds=settings.SESSION_COOKIE_AGE + 1):
        assert shop.who() == ""
    for operation in (end_badge, retire_person):
        shop.sign_in(BOB if operation is end_badge else EVE)
        assert shop.who()
        shop.plant.do(operation, person=shop.bob if operation is end_badge else shop.eve)
        assert shop.who() == ""


def test_by_badge_nobody_is_planner_or_administrator(shop: Shop) -> None:
    roles = [Role.PLANNER, Role.ADMINISTRATOR, Role.OPERATOR]
    Person.objects.filter(pk=shop.bob.pk).update(roles=roles)
    shop.sign_in(BOB)
    for page in ("/admin/", "/device/"):
        answer = shop.browser.get(page)
        assert answer.status_code == 403 and "By badge nobody is planner" in answer.content.decode()
    assert "Master data" not in shop.browser.get("/").content.decode()
    told = {"person": "BOB", "roles": [], "at": moment(1).isoformat()}
    answer = post(shop, "set-roles", told)
    assert answer.status_code == 403 and answer.json()["code"] == "not-permitted"
    shop.bob.refresh_from_db()
    assert shop.bob.roles == roles


# Stations ------------------------------------------------------------------------------------------------------------


def post(shop: Shop, address: str, told: dict[str, Any]) -> Any:
    headers = {"Idempotency-Key": f"{address} {now()}"}
    return shop.browser.post(f"/api/v1/operations/{address}/", told, content_type="application/json", headers=headers)


def test_what_is_done_elsewhere_is_refused_and_undone(shop: Shop) -> None:
    plant = shop.plant
    (board,), (other,) = plant.boards(), plant.boards()
    plant.run(other, plant.insertion, 1, 2)
    shop.sign_in(BOB)
    here = {"unit": board.key, "station": "INSERT", "at": moment(5).isoformat()}
    assert post(shop, "start-pass", here).status_code == 201
    there = {"unit": other.key, "station": "TEST", "at": moment(5).isoformat()}
    answer = post(shop, "start-pass", there)
    assert (answer.status_code, answer.json()["code"]) == (403, "not-here")
    assert answer.json()["detail"] == "This is at TEST, and the device KIOSK-1 is for INSERT."
    # A unit that is inside a station elsewhere, which the request does not name.
    plant.do(start_pass, 6, unit=other, station=plant.test)
    events = Event.objects.count()
    answer = post(shop, "finish-pass", {"unit": other.key, "at": moment(7).isoformat()})
    assert answer.json()["code"] == "not-here" and Event.objects.count() == events
    assert Pass.objects.get(unit=other, station=plant.test).inside
    plant.reel("CB-1")
    load = {"feed": "SLOT-R", "container": "CB-1", "at": moment(8).isoformat()}
    assert post(shop, "load-feed", load).status_code == 201


def test_equipment_that_stands_elsewhere_is_not_checked_here(shop: Shop) -> None:
    plant = shop.plant
    for key, station in (("HV-1", plant.test), ("HV-2", plant.insertion)):
        plant.do(define_equipment, key=key, name="Tester", kind="high-voltage tester", station=station)
    plant.do(define_check_piece, key="BAD-1", name="open", kind="high-voltage tester", good=False)
    shop.sign_in(BOB)
    home = text_of(shop.browser.get("/").content.decode())
    assert "1 piece of equipment still owes check pieces" in home and "HV-2" in home and "HV-1" not in home
    form = {"what": "check", "piece": "BAD-1", "said": "bad"}
    answer = shop.browser.post("/equipment/HV-1/use/", form)
    assert answer.status_code == 403 and "This is at TEST" in answer.content.decode()
    assert shop.browser.post("/equipment/HV-2/use/", form).status_code == 302
    assert [check.equipment.key for check in PieceCheck.objects.all()] == ["HV-2"]


def test_a_tape_is_built_at_its_sequencer_and_mounted_at_the_machine(shop: Shop) -> None:
    plant, sequencer = shop.plant, make_station("SEQ")
    Person.objects.filter(key="BOB").update(roles=[Role.SEQUENCER])
    shop.sign_in(BOB)
    plan = {"assembly": "BOARD", "sequence": ["R1"], "heads": {"A": [0, ["R1"]]}, "board_sets": 5}
    plan["at"] = moment(1).isoformat()
    answer = post(shop, "start-tape", {**plan, "key": "T0", "station": "SEQ"})
    assert (answer.status_code, answer.json()["code"]) == (403, "not-here")
    assert post(shop, "start-tape", {**plan, "key": "T0", "station": "INSERT"}).status_code == 201
    tape = plant.do(
        start_tape, 1, key="T1", assembly=plant.board, sequence=["R1"], heads={"A": (0, ["R1"])}, board_sets=5,
        station=sequencer,
    )  # fmt: skip
    reel, head = plant.reel("CB-1"), {"feed": "T1-A"}
    for address, told in (
        ("load-head", {**head, "container": "CB-1"}),
        ("fill-by-hand", {**head, "container": "CB-1", "board_set": 0}),
        ("record-empty", {**head, "designator": "R1", "board_set": 0}),
        ("resume-tape", {"tape": "T1"}),
        ("abort-tape", {"tape": "T1", "board_sets": 0, "reason": "torn"}),
    ):
        answer = post(shop, address, {**told, "at": moment(2).isoformat()})
        assert (answer.status_code, answer.json()["code"]) == (403, "not-here"), address
        assert answer.json()["detail"] == "This is at SEQ, and the device KIOSK-1 is for INSERT."
    plant.do(load_head, 2, feed=Feed.objects.get(key="T1-A"), container=reel)
    plant.do(resume_tape, 3, tape=tape)
    plant.do(finish_tape, 4, tape=tape, board_sets=5)
    on = {"tape": "T1", "station": "INSERT", "assembly": "BOARD", "board_set": 0, "at": moment(5).isoformat()}
    assert post(shop, "mount-tape", on).status_code == 201, "once it is built it goes to the machine"


def test_what_is_inside_a_station_elsewhere_is_not_scrapped_here(shop: Shop) -> None:
    plant = shop.plant
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 1, 2)
    plant.do(start_pass, 3, unit=board, station=plant.test)
    Person.objects.filter(key="BOB").update(roles=[Role.TECHNICIAN])
    shop.sign_in(BOB)
    told = {"unit": board.key, "reason": "burnt", "at": moment(5).isoformat()}
    answer = post(shop, "scrap-unit", told)
    assert (answer.status_code, answer.json()["code"]) == (403, "not-here")
    board.refresh_from_db()
    assert board.scrapped is None and Pass.objects.get(unit=board, station=plant.test).inside


def test_what_is_inside_a_station_elsewhere_is_fitted_with_nothing_here(shop: Shop) -> None:
    plant = shop.plant
    (product,), (here,) = plant.products(), plant.products()
    fuses = plant.reel("FUSES", plant.fuse)
    plant.do(start_pass, 3, unit=product, station=plant.final)
    shop.sign_in(BOB)
    told = {"designator": "F1", "container": fuses.key, "reason": "as designed", "at": moment(5).isoformat()}
    answer = post(shop, "fit-part", {**told, "unit": product.key})
    assert (answer.status_code, answer.json()["code"]) == (403, "not-here")
    assert not Fitting.objects.exists()
    assert post(shop, "fit-part", {**told, "unit": here.key}).status_code == 201  # it waits, and is at no station


def test_who_came_by_badge_signs_with_both_components_each_time(shop: Shop) -> None:
    Person.objects.filter(key="BOB").update(roles=[Role.QUALITY])
    shop.bob.refresh_from_db()
    User.objects.create_user("robert", password="tin-plated-1", person=shop.bob)
    shop.sign_in(BOB)
    for lot in ("L-1", "L-2"):
        shop.plant.lot(lot)
        assert 'name="username"' in shop.browser.get(f"/sign/lot/{lot}/").content.decode()
        told = {"meaning": "approved", "username": "robert", "password": "tin-plated-1"}
        assert shop.browser.post(f"/sign/lot/{lot}/", told).status_code == 302


def test_who_came_by_password_is_bound_to_nothing(shop: Shop) -> None:
    (board,) = shop.plant.boards()
    shop.plant.run(board, shop.plant.insertion, 1, 2)
    assert "Name" in shop.browser.get("/sign-in/?password=1").content.decode()
    shop.browser.force_login(make_user("pat", roles=[Role.OPERATOR]))
    told = {"unit": board.key, "station": "TEST", "at": moment(5).isoformat()}
    assert post(shop, "start-pass", told).status_code == 201
