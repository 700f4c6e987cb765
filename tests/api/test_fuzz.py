"""Requests that no client should send, and requests that are nearly right: never a 500, never an answer that the
schema does not tell. Schemathesis reads the schema (which can't say what is on record, so what fits it may be refused);
the second kind is made of what is on record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, transaction
from drf_spectacular.generators import SchemaGenerator
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from rest_framework import serializers
from schemathesis.specs.openapi.checks import positive_data_acceptance

from config.wsgi import application
from tests.api.conftest import Client, make_client
from tests.factories import Plant, moment
from trace.api.operations import ELSEWHERE, find_operations, serializer_for
from trace.exchange.arguments import PlannedField, RecordField, ThingField, TupleField
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

_keys = count(1)

quick = settings(
    max_examples=4,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@schemathesis.serializer("application/x-ndjson")
def lines(context: Any, value: Any) -> bytes:
    """Any text is a batch of lines."""
    return str(value).encode(errors="replace")


def paths() -> list[tuple[str, str]]:
    schema = SchemaGenerator().get_schema(public=True)
    return [(path, method) for path, methods in schema["paths"].items() for method in methods]


@dataclass
class Asked:
    """The API of a plant with something of everything, and who asks it."""

    schema: Any
    client: Client


def stay_connected() -> None:
    """A request that comes as from a server would close the connection behind it; Django's own test client, after
    each request, sees to it that it does."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)


@pytest.fixture(autouse=True)
def one_connection() -> Iterator[None]:
    stay_connected()
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.fixture(scope="module")
def asked(django_db_setup: None, django_db_blocker: Any) -> Iterator[Asked]:
    """Once for many requests, each of which is rolled back."""
    stay_connected()
    with django_db_blocker.unblock(), transaction.atomic():
        plant, client = Plant(), make_client()
        boards = plant.boards(2)
        plant.products(1)
        for number in (1, 2):
            plant.reel(f"REEL-{number}")
        plant.run(boards[0], plant.insertion, 6, 7)
        headers = {"Authorization": f"Bearer {client.secret}"}
        schema = schemathesis.openapi.from_wsgi("/api/v1/schema/?format=json", application, headers=headers)
        yield Asked(schema, client)
        transaction.set_rollback(True)


@pytest.mark.parametrize(("path", "method"), paths())
def test_whatever_is_sent_gets_an_answer_that_the_schema_tells(asked: Asked, path: str, method: str) -> None:
    @quick
    @given(case=asked.schema[path][method].as_strategy())
    def ask(case: Any) -> None:
        with transaction.atomic():
            headers = {"Authorization": f"Bearer {asked.client.secret}"}
            case.call_and_validate(headers=headers, excluded_checks=[positive_data_acceptance])
            transaction.set_rollback(True)

    ask()


def nearly_right(field: serializers.Field) -> st.SearchStrategy[Any]:
    """Values that a field takes, of what is on record where it names that; and now and then some that it does not."""
    match field:
        case RecordField():
            records = [str(getattr(one, field.by)) for one in field.model._default_manager.all()[:8]]
            right: st.SearchStrategy[Any] = st.sampled_from([*records, "NONE"])
        case ThingField():
            right = st.sampled_from(["lot:NONE", "station:INSERT", "part:RES", "unit:B"])
        case TupleField():
            right = st.tuples(*map(nearly_right, field.parts)).map(list)
        case serializers.ListField() | serializers.ListSerializer():
            right = st.lists(nearly_right(field.child), max_size=4)
        case serializers.DictField():
            right = st.dictionaries(st.sampled_from(["R1", "R2", "C1", "X"]), nearly_right(field.child), max_size=3)
        case serializers.Serializer():
            right = st.fixed_dictionaries({name: nearly_right(one) for name, one in field.fields.items()})
        case serializers.ChoiceField():
            right = st.sampled_from([*field.choices, "none such"])
        case PlannedField():
            right = st.integers(-60, 3_000).map(lambda minutes: moment(minutes).isoformat())
        case serializers.DateField():
            right = st.dates().map(str)
        case serializers.DurationField():
            right = st.sampled_from(["00:00:00", "00:05:00", "-1 00:00:00", "999999999 00:00:00"])
        case serializers.BooleanField():
            right = st.booleans()
        case serializers.IntegerField() | serializers.DecimalField():
            right = st.sampled_from([0, 1, 2, 5, 100, -1, 2**31, 2**53 - 1])
        case _:
            right = st.sampled_from(
                ["R1", "C1", "M1", "A-1", "B-2", "", "passed", "in words", "UTC", "é\u200b", "x" * 300]
            )
    return right | st.none() if field.allow_null else right


@pytest.mark.parametrize("verb", sorted(set(find_operations()) - ELSEWHERE))
def test_an_operation_is_carried_out_whole_or_refused(asked: Asked, verb: str) -> None:
    @settings(quick, max_examples=20)
    @given(
        body=st.fixed_dictionaries(
            {name: nearly_right(field) for name, field in serializer_for(verb)().fields.items() if field.required},
            optional={
                name: nearly_right(field) for name, field in serializer_for(verb)().fields.items() if not field.required
            },
        )
    )
    def ask(body: dict[str, Any]) -> None:
        with transaction.atomic():
            before = Event.objects.count()
            answer = asked.client.post(
                f"/api/v1/operations/{verb.replace('_', '-')}/",
                body,
                format="json",
                headers={"Idempotency-Key": f"fuzz-{next(_keys)}"},
            )
            assert answer.status_code in (201, 400, 403, 404, 409, 423), answer.content
            assert Event.objects.count() == before + (answer.status_code == 201)
            if answer.status_code != 201:
                assert answer.json()["detail"]
            transaction.set_rollback(True)

    ask()
