"""Every address for every role and for nobody, from the table; and an address that the table does not know."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.test import Client
from django.urls import get_resolver, resolve

from tests.web.conftest import Suspects, make_user
from tests.web.test_pages import addresses
from trace.core.permissions import OPEN_TO_ALL, OPERATIONS, PAGES, Role, in_words
from trace.engineering.operations import retire_person

pytestmark = pytest.mark.django_db


WRITES = {
    "correct": OPERATIONS["void_pass"],
    "list": OPERATIONS["define_part"],
    "revisions": OPERATIONS["revise_part"],
    "deliveries": OPERATIONS["expect_delivery"],
    "delivery": OPERATIONS["close_delivery"],
}
"""Pages where whatever is sent is at once an operation's to permit."""


def names() -> Iterator[str]:
    for pattern in get_resolver().url_patterns:
        yield getattr(pattern, "namespace", None) or getattr(pattern, "name", None) or str(pattern)


def page_of(address: str) -> str:
    match = resolve(address.partition("?")[0])
    return match.namespace or match.url_name or ""


def test_the_table_knows_every_address_and_no_other() -> None:
    assert set(names()) == set(PAGES) | OPEN_TO_ALL


@pytest.mark.once
@pytest.mark.parametrize("role", Role.values)
def test_a_page_opens_for_exactly_the_roles_of_the_table(suspects: Suspects, client: Client, role: str) -> None:
    client.force_login(make_user(roles=[role]))
    others = {"/tapes/NONE/", "/lists/parts/csv/", "/admin/", "/api/v1/", "/api/v1/lots/"}
    everywhere = {*addresses(suspects).values()} | others
    assert {page_of(address) for address in everywhere} == set(PAGES)
    for address in sorted(everywhere):
        for method in (client.get, client.post):
            status, permitted = method(address).status_code, PAGES[page_of(address)]
            if method == client.post:
                permitted &= WRITES.get(page_of(address), permitted)
            assert (status == 403) is (role not in permitted and status != 405), (address, status)


def test_nobody_is_led_to_the_sign_in_page_and_a_program_is_told(suspects: Suspects, client: Client) -> None:
    for address in [*addresses(suspects).values(), "/admin/"]:
        chain = client.get(address, follow=True).redirect_chain
        assert chain and chain[-1][0].startswith("/sign-in/?next="), address
    assert client.get("/api/v1/lots/").status_code == 401


def test_who_has_no_role_no_person_or_has_left_is_told_so(suspects: Suspects, client: Client) -> None:
    nobody, former = make_user("bo", roles=[]), make_user("cy")
    client.force_login(nobody)
    assert "You have no role in this plant" in client.get("/").content.decode()
    former_person = former.person
    assert former_person is not None
    client.force_login(former)
    assert client.get("/").status_code == 200
    suspects.plant.do(retire_person, 60, person=former_person)
    assert client.get("/").status_code == 302  # the session ended with the account
    client.force_login(make_user("di"))
    nobody.person = None
    nobody.save()
    client.force_login(nobody)
    answer = client.get("/lots/K77/")
    assert answer.status_code == 403 and "belongs to nobody on record" in answer.content.decode()


def test_roles_in_words() -> None:
    assert in_words(frozenset({Role.PLANNER})) == "a planner"
    assert in_words(frozenset({Role.OPERATOR, Role.AUDITOR})) == "an operator or an auditor"
    assert in_words(frozenset({Role.OPERATOR, Role.AUDITOR, Role.PLANNER})) == "an operator, an auditor or a planner"
