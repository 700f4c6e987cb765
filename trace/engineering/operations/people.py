"""Who is who: people, what they may do, the accounts with which they sign in, the tokens of machines."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from trace.core.errors import Refusal
from trace.core.keys import clean_text, free_key
from trace.core.models import Badge, Person, Token, User
from trace.core.permissions import Role
from trace.engineering.models import Station
from trace.engineering.operations.common import changing, keys_of, save_checked
from trace.ledger.operation import note


class PersonRefused(Refusal):
    """A person, or what they may do, can't be recorded so."""

    code = "person-refused"
    action = "Correct what is named, and record it again."


class AccountRefused(Refusal):
    """An account can't be opened or closed so."""

    code = "account-refused"
    action = "Correct what is named, and try again."


def get_command_line() -> Person:
    """The machine under whose name the commands on the server work: whoever has a shell there may do all."""
    every: dict[str, Any] = {"name": "Command line", "is_machine": True, "roles": Role.values}
    return Person.objects.get_or_create(key="COMMAND-LINE", defaults=every)[0]


@changing
def add_person(
    *, key: str, name: str, roles: Sequence[str] = (), is_machine: bool = False, by: Person, at: datetime
) -> Person:
    """Somebody, or a named machine, that may do what these roles may.

    Refuses with PersonRefused a role that is none and a person without a name; with BadKey, KeyInUse, BadText.
    """
    person = Person(key=free_key(Person, key), name=name, roles=_clean_roles(roles), is_machine=is_machine)
    save_checked(person, PersonRefused)
    return person


@changing
def set_roles(*, person: Person, roles: Sequence[str], by: Person, at: datetime) -> Person:
    """From now on the person may do what these roles may, and no more.

    Refuses with PersonRefused a role that is none, and to take the last administrator away.
    """
    person = _lock(person)
    note(before=person.roles)
    person.roles = _clean_roles(roles)
    person.save(update_fields=["roles"])
    _check_administrator_left(person)
    return person


@changing
def retire_person(*, person: Person, by: Person, at: datetime) -> Person:
    """The person does nothing here any more: the account, the tokens and the badge end; what they did keeps their
    name.

    Refuses with PersonRefused who left already, and to let the last administrator go.
    """
    person = _lock(person)
    if person.retired:
        raise PersonRefused(f"{person} is no longer here since {person.retired:%Y-%m-%d}.")
    person.retired = at
    person.save(update_fields=["retired"])
    User.objects.filter(person=person).update(is_active=False)
    for kind in (Token, Badge):
        kind._default_manager.filter(person=person, ended=None).update(ended=at)
    _check_administrator_left(person)
    return person


@changing
def open_account(*, person: Person, username: str, by: Person, at: datetime) -> User:
    """An account for a person, with no password yet: that is set apart, and no record keeps it.

    An account that was closed is opened again. Refuses with AccountRefused who has one open, who left, a
    machine (which is given a token), and a name that is taken or that Django does not accept; with BadText.
    """
    person = _lock(person)
    if person.retired or person.is_machine:
        why = "is no longer here" if person.retired else "is a machine"
        raise AccountRefused(f"{person} {why}.", action="Give a machine a token." if person.is_machine else "")
    user = User.objects.filter(person=person).first() or User(person=person)
    if user.pk and user.is_active:
        raise AccountRefused(f"{person} has the account {user.username} already.")
    user.username, user.is_active = clean_text(username, 150, "The account's name"), True
    user.set_unusable_password()
    save_checked(user, AccountRefused)
    return user


@changing
def close_account(*, person: Person, by: Person, at: datetime) -> User:
    """The person can no longer sign in, from the next page on. Refuses with AccountRefused who has no account
    open, and to close that of the one who asks."""
    user = User.objects.select_for_update().filter(person=person, is_active=True).first()
    if user is None:
        raise AccountRefused(f"{person} has no account that is open.")
    if person == by:
        raise AccountRefused("Nobody closes their own account.", action="Let another administrator do it.")
    user.is_active = False
    user.save(update_fields=["is_active"])
    return user


@changing
def issue_token(
    *, person: Person, name: str, digest: str, stations: Sequence[Station] = (), by: Person, at: datetime
) -> Token:
    """What a machine or program shows to be taken for this person; `name` says where it is used. Tokens of
    the same name end. `digest` is the SHA-256 of the secret, in hexadecimal: no record keeps the secret.
    With `stations` only what is there may be recorded with it.

    Refuses with AccountRefused who left, a station that is retired, and a digest that is none; with BadText.
    """
    person = _lock(person)
    if person.retired:
        raise AccountRefused(f"{person} is no longer here.")
    name = clean_text(name, 60, "The token's name")
    Token.objects.filter(person=person, name=name, ended=None).update(ended=at)
    bound_to = keys_of(stations, AccountRefused)
    token = Token(person=person, name=name, digest=digest, stations=bound_to, issued=at)
    save_checked(token, AccountRefused)
    return token


def _lock(person: Person) -> Person:
    return Person.objects.select_for_update().get(pk=person.pk)


def _clean_roles(roles: Sequence[str]) -> list[str]:
    """In the order of the table, each once."""
    unknown = sorted(set(roles) - set(Role.values))
    if unknown:
        raise PersonRefused(
            f"{', '.join(unknown)}: there is no such role.", action=f"The roles: {', '.join(Role.values)}."
        )
    return [role for role in Role.values if role in roles]


def _check_administrator_left(instead_of: Person) -> None:
    """Without one nobody could ever change anything here again. (SQLite can't look into the list in a query.)"""
    people = Person.objects.filter(retired=None, is_machine=False)
    if not instead_of.is_machine and not any(Role.ADMINISTRATOR in one.roles for one in people):
        raise PersonRefused("Then there would be no administrator.", action="Make somebody else administrator first.")
