"""Who is who, by operations: each refusal writes nothing, and no record keeps a secret."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import pytest

from tests.factories import make_person, moment
from trace.core.errors import Refusal
from trace.core.models import Person, Token, User
from trace.core.permissions import NotPermitted, Role
from trace.engineering.operations import (
    add_person,
    close_account,
    issue_token,
    open_account,
    retire_person,
    set_roles,
)
from trace.ledger.models import Event
from trace.ledger.operation import UnknownActor

pytestmark = pytest.mark.django_db

DIGEST = hashlib.sha256(b"secret").hexdigest()


@pytest.fixture
def chief() -> Person:
    return make_person("CHIEF", roles=[Role.ADMINISTRATOR])


def test_a_person_comes_gets_roles_and_an_account_and_leaves(chief: Person) -> None:
    done: dict[str, Any] = {"by": chief, "at": moment(1)}
    ida = add_person(key="p-7", name="Ida", roles=["planner", "auditor", "planner"], **done)
    assert (ida.key, ida.roles) == ("P-7", ["auditor", "planner"])
    user = open_account(person=ida, username=" ida ", **done)
    assert (user.username, user.is_active, user.has_usable_password()) == ("ida", True, False)
    first = issue_token(person=ida, name="bench", digest=DIGEST, **done)
    issue_token(person=ida, name="bench", digest=DIGEST[::-1], **done)
    first.refresh_from_db()
    assert first.ended == moment(1)
    retire_person(person=ida, by=chief, at=moment(5))
    user.refresh_from_db()
    assert not user.is_active and not Token.objects.filter(ended=None).exists()
    verbs = list(Event.objects.order_by("id").values_list("verb", flat=True))
    assert verbs == ["add_person", "open_account", "issue_token", "issue_token", "retire_person"]


def test_who_left_does_nothing_more_and_did_what_was_before(chief: Person) -> None:
    other = make_person("OTHER", roles=[Role.ADMINISTRATOR])
    retire_person(person=other, by=chief, at=moment(5))
    other.refresh_from_db()
    add_person(key="P1", name="Told late", by=other, at=moment(4))
    with pytest.raises(UnknownActor, match="no longer here"):
        add_person(key="P2", name="Too late", by=other, at=moment(6))
    assert not Person.objects.filter(key="P2").exists()


def account_of(person: Person, chief: Person) -> User:
    return open_account(person=person, username=f"{person.key}".lower(), by=chief, at=moment())


WRONG: dict[str, Callable[[Person, Person, dict[str, Any]], object]] = {
    "there is no such role": lambda c, p, d: add_person(key="X", name="X", roles=["emperor"], **d),
    "Name: ": lambda c, p, d: add_person(key="X", name="", **d),
    "is already the key": lambda c, p, d: add_person(key=p.key, name="X", **d),
    "no such role": lambda c, p, d: set_roles(person=p, roles=["emperor"], **d),
    "would be no administrator": lambda c, p, d: set_roles(person=c, roles=["planner"], **d),
    "there would be no administrator": lambda c, p, d: retire_person(person=c, **d),
    "is a machine": lambda c, p, d: open_account(person=make_person(machine=True), username="m", **d),
    "has no account that is open": lambda c, p, d: close_account(person=p, **d),
    "Nobody closes their own": lambda c, p, d: [account_of(c, c), close_account(person=c, **d)],
    "has the account": lambda c, p, d: [account_of(p, c), open_account(person=p, username="again", **d)],
    "Username: ": lambda c, p, d: [account_of(c, c), open_account(person=p, username="chief", **d)],
    "is no longer here since": lambda c, p, d: [retire_person(person=p, **d), retire_person(person=p, **d)],
    "is no longer here": lambda c, p, d: [
        retire_person(person=p, **d),
        issue_token(person=p, name="x", digest=DIGEST, **d),
    ],
    "token_digest_is_sha256": lambda c, p, d: issue_token(person=p, name="x", digest="secret", **d),
}


@pytest.mark.parametrize("why", WRONG)
def test_what_can_not_be_is_refused_and_changes_nothing(chief: Person, why: str) -> None:
    person = make_person("PAT", roles=[])
    done = {"by": chief, "at": moment()}
    with pytest.raises(Refusal, match=why):
        WRONG[why](chief, person, done)
    people = [(p.key, p.roles) for p in Person.objects.filter(key__in=["CHIEF", "PAT", "X"]).order_by("key")]
    assert people == [("CHIEF", ["administrator"]), ("PAT", [])]
    assert not Token.objects.exists()


def test_an_account_that_was_closed_is_opened_again_without_its_password(chief: Person) -> None:
    person = make_person("PAT", roles=[])
    user = account_of(person, chief)
    user.set_password("quillmoor-7")
    user.save()
    close_account(person=person, by=chief, at=moment(1))
    again = open_account(person=person, username="pat", by=chief, at=moment(2))
    assert again.pk == user.pk and again.is_active and not again.has_usable_password()


def test_only_administrators_say_who_may_do_what(chief: Person) -> None:
    planner = make_person("PIA", roles=[role for role in Role.values if role != Role.ADMINISTRATOR])
    with pytest.raises(NotPermitted, match="Pia may not give roles. Ask an administrator to do it."):
        set_roles(person=planner, roles=Role.values, by=planner, at=moment())
    planner.refresh_from_db()
    assert Role.ADMINISTRATOR not in planner.roles and not Event.objects.exists()
