"""A plant with something of everything, and clients of the API: one for each role, and one with all of them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from itertools import count

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from tests.built_once import plant_first
from tests.factories import make_person, moment
from trace.core.models import Token
from trace.core.permissions import Role

_keys = count(1)


@pytest.fixture(autouse=True)
def _nobody_asked_before() -> None:
    """How often was asked is counted in a cache that outlives a test."""
    cache.clear()


class Client(APIClient):
    """A client with a token, that gives every request a key of its own."""

    def do(self, verb: str, **arguments: object):
        """Carry out an operation."""
        address = f"/api/v1/operations/{verb.replace('_', '-')}/"
        body = {"at": moment(60).isoformat(), **arguments}
        headers = {"Idempotency-Key": f"test-{next(_keys)}"}
        return self.post(address, body, format="json", headers=headers)


def make_client(roles: Sequence[str] = Role.values) -> Client:
    """Somebody with these roles."""
    secret = f"secret-{next(_keys)}"
    person = make_person(roles=roles)
    digest = hashlib.sha256(secret.encode()).hexdigest()
    Token.objects.create(person=person, name="test", digest=digest, issued=moment())
    client = Client(headers={"Authorization": f"Bearer {secret}"})
    client.secret, client.person = secret, person
    return client


@pytest.fixture
def client_of(db: None) -> Callable[..., Client]:
    return make_client


@pytest.fixture
def client(request: pytest.FixtureRequest, db: None) -> Client:
    plant_first(request)
    return make_client()
