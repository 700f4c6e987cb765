"""A kiosk in a browser: bound by an administrator, badge and PIN by scanner and keyboard, another operator."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.scanner import type_as_scanner
from tests.factories import Plant, make_person
from tests.web.conftest import make_user
from trace.core.permissions import Role
from trace.core.secrecy import Secret, device_digest, make_device_secret
from trace.engineering.operations import issue_badge, issue_device

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_shift_at_a_kiosk(page: Any, enter_as: Callable, accessible: Callable, shot: Callable) -> None:
    plant, secret = Plant(), make_device_secret()
    told = {"key": "KIOSK-1", "name": "the screen at insertion", "stations": [plant.insertion]}
    plant.do(issue_device, **told, digest=device_digest(secret))
    for key, code, pin in (("BOB", "BDG-00417", "8305"), ("EVE", "BDG-00418", "71905")):
        person = make_person(key, roles=[Role.OPERATOR])
        plant.do(issue_badge, person=person, code=Secret(code), pin=Secret(pin))

    enter_as(make_user("chief", roles=[Role.ADMINISTRATOR]))
    page.goto("/device/")
    accessible()
    shot("a browser that is no device")
    page.keyboard.type("not the secret\n", delay=60)
    expect(page.get_by_role("alert")).to_contain_text("No device in use has this secret")
    accessible()
    page.get_by_label("The device’s secret").fill(secret)
    page.keyboard.press("Enter")

    expect(page).to_have_title("Scan your badge – The plant")
    accessible()
    shot("scan your badge")
    assert page.evaluate("document.activeElement.id") == "id_code"
    for field in (page.get_by_label("Badge"), page.get_by_role("button")):
        assert field.bounding_box()["height"] >= 44
    type_as_scanner(page, "BDG-00999")
    expect(page.get_by_role("alert")).to_contain_text("No badge in use has this code")
    accessible()
    type_as_scanner(page, "BDG-00417")
    expect(page.get_by_role("heading", name="Bob")).to_be_visible()
    accessible()
    shot("the PIN")
    type_as_scanner(page, "8306")
    expect(page.get_by_role("alert")).to_contain_text("That is not the PIN")
    accessible()
    shot("a wrong PIN")
    type_as_scanner(page, "8305")
    expect(page.get_by_role("link", name="Bob")).to_be_visible()
    accessible()
    shot("home by badge")

    page.goto("/stations/INSERT/")
    type_as_scanner(page, "BDG-00418")
    expect(page.get_by_role("heading", name="Eve")).to_be_visible()
    assert page.evaluate("document.activeElement.id") == "id_pin"
    accessible()
    shot("another operator")
    page.keyboard.type("71905", delay=80)  # by hand: a scanner's burst would go to the scan line
    page.keyboard.press("Enter")
    expect(page.get_by_role("link", name="Eve")).to_be_visible()
    type_as_scanner(page, "BDG-00417")
    page.get_by_role("link", name="Go on as Eve").click()
    expect(page.get_by_role("link", name="Eve")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_title("Scan your badge – The plant")
    page.get_by_role("link", name="Sign in with a password").click()
    accessible()
    expect(page.get_by_role("link", name="Sign in by badge")).to_be_visible()


def test_on_a_phone_the_door_fits(page: Any, shot: Callable) -> None:
    plant, secret = Plant(), make_device_secret()
    told = {"key": "KIOSK-1", "name": "the screen at insertion", "stations": [plant.insertion]}
    plant.do(issue_device, **told, digest=device_digest(secret))
    make_user("chief", roles=[Role.ADMINISTRATOR])
    page.set_viewport_size({"width": 390, "height": 844})
    page.emulate_media(color_scheme="dark")
    page.goto("/device/")
    page.get_by_label("Name").fill("chief")
    page.get_by_label("Password").fill("tin-plated-1")
    page.keyboard.press("Enter")
    page.get_by_label("The device’s secret").fill(secret)
    page.keyboard.press("Enter")
    expect(page).to_have_title("Scan your badge – The plant")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    shot("on a phone")
