"""Badges and PINs: issued and ended by operations; neither code nor PIN is kept or told anywhere."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from django.contrib.auth.hashers import check_password

from tests.factories import Plant, make_person, moment
from tests.refusals import contents, refused
from trace.core.models import Badge, Person
from trace.core.secrecy import Secret, badge_digest
from trace.engineering.operations import end_badge, issue_badge, retire_person
from trace.engineering.rules import explain_weak_pin
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

CODE, PIN = "BDG-00417", "8305"


def issue(plant: Plant, person: Person, minute: float = 1, code: str = CODE, pin: str = PIN) -> Badge:
    return plant.do(issue_badge, minute, person=person, code=Secret(code), pin=Secret(pin))


def test_a_badge_is_issued_replaced_ended_and_goes_to_another() -> None:
    plant, bob, eve = Plant(), make_person("BOB"), make_person("EVE")
    badge = issue(plant, bob)
    assert badge.digest == badge_digest(f"]C1{CODE.lower()} ") and check_password(PIN, badge.pin)
    again = issue(plant, bob, 2, pin="71905")
    badge.refresh_from_db()
    assert badge.ended == moment(2) and again.ended is None
    plant.do(end_badge, 3, person=bob)
    assert issue(plant, eve, 4).person == eve
    plant.do(retire_person, 5, person=eve)
    assert not Badge.objects.filter(ended=None).exists()


def test_no_table_holds_a_code_or_a_pin_and_no_event_its_hash() -> None:
    plant = Plant()
    badge = issue(plant, make_person("BOB"))
    assert CODE not in str(contents()) and f"'{PIN}'" not in str(contents())
    told = Event.objects.get(verb="issue_badge").payload
    assert not any(secret in told for secret in (CODE, PIN, badge.pin, badge.digest))
    assert told.count("kept secret") == 2 and CODE not in repr(Secret(CODE))


WRONG: dict[str, Callable[[Plant], dict[str, Any]]] = {
    "That badge is Eve’s": lambda p: {"code": issue(p, make_person("EVE")) and CODE},
    "code is empty": lambda p: {"code": "]C1 "},
    "PIN can be read on the badge": lambda p: {"code": "B-83051"},
    "is a machine": lambda p: {"person": make_person("TESTER", machine=True)},
    "is no longer here": lambda p: {"person": p.do(retire_person, person=make_person("EVE"))},
    "4 to 12 digits": lambda p: {"pin": "830"},
    "guessed at once": lambda p: {"pin": "1111"},
}


@pytest.mark.parametrize("why", WRONG)
def test_what_can_not_be_is_refused_and_changes_nothing(why: str) -> None:
    plant = Plant()
    told = {"person": make_person("BOB"), "code": CODE, "pin": PIN, **WRONG[why](plant)}
    operation = partial(issue_badge, **{name: Secret(told.pop(name)) for name in ("code", "pin")})
    refusal = refused(plant, "badge-refused", operation, **told)
    assert why in str(refusal)


def test_who_has_no_badge_has_none_to_end() -> None:
    assert "has no badge" in str(refused(Plant(), "badge-refused", end_badge, person=make_person("BOB")))


@pytest.mark.parametrize(
    "pin",
    ["", "123", "1" * 13, "12a4", "１２３４", "0000", "1234", "4321", "7890", "0987", "1212", "123123", "1988", "2026"],
)
def test_a_weak_pin(pin: str) -> None:
    assert explain_weak_pin(pin)


@pytest.mark.parametrize("pin", ["8305", "0417", "1233", "13579", "20261", "121213"])
def test_a_pin_that_will_do(pin: str) -> None:
    assert explain_weak_pin(pin) == ""
