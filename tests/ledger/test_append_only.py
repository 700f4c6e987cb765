"""The ledger's rows can't be changed or deleted, through Django or past it."""

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from tests.factories import make_person, moment
from trace.approvals.models import Signature
from trace.ledger import triggers
from trace.ledger.models import Event, EventSubject
from trace.ledger.operation import operation

pytestmark = pytest.mark.django_db


@operation()
def greet(*, by, at):
    return by


@pytest.fixture
def event() -> Event:
    ann = make_person("ANN")
    greet(by=ann, at=moment())
    Signature.objects.create(
        target_kind="lot", target_key="L", meaning="approved", digest="d", person=ann, name="Ann", signed=moment()
    )
    return Event.objects.get()


def contents() -> list[list[tuple]]:
    return [list(model.objects.order_by("id").values_list()) for model in (Event, EventSubject, Signature)]


def rename(event: Event) -> None:
    event.verb = "x"
    event.save()


DEEDS = {
    "save": rename,
    "update": lambda event: Event.objects.update(verb="x"),
    "update of nothing special": lambda event: Event.objects.update(id=event.pk),
    "bulk update": lambda event: Event.objects.bulk_update([event], ["verb"]),
    "subjects": lambda event: event.subjects.update(kind="x"),
    "delete subjects": lambda event: event.subjects.all().delete(),
    "delete a subject": lambda event: event.subjects.get().delete(),
    "move a signature": lambda event: Signature.objects.update(target_key="M"),
    "delete a signature": lambda event: Signature.objects.all().delete(),
    "upsert": lambda event: Event.objects.bulk_create(
        [Event(id=event.pk, verb="x", by=event.by, happened=event.happened, recorded=event.recorded)],
        update_conflicts=True,
        unique_fields=["id"],
        update_fields=["verb"],
    ),
}
SQL = [
    "UPDATE {table} SET id = id",
    "DELETE FROM {table}",
    "DELETE FROM {table} WHERE id > 0",
]


def attempt(deed) -> None:
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        deed()


@pytest.mark.parametrize("deed", DEEDS.values(), ids=DEEDS)
def test_django_can_not_change_it(event, deed) -> None:
    before = contents()
    attempt(lambda: deed(event))
    assert contents() == before


@pytest.mark.parametrize("table", triggers.TABLES)
@pytest.mark.parametrize("sql", SQL)
def test_sql_can_not_change_it(event, table, sql) -> None:
    before = contents()
    attempt(lambda: connection.cursor().execute(sql.format(table=table)))
    assert contents() == before


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's own; CI runs it there")
@pytest.mark.parametrize("table", triggers.TABLES)
def test_postgresql_can_not_truncate_it(event, table) -> None:
    connection.check_constraints()  # else the foreign keys' deferred checks are what refuses
    attempt(lambda: connection.cursor().execute(f"TRUNCATE {table} CASCADE"))
    assert Event.objects.exists() and EventSubject.objects.exists()


@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="SQLite's own; CI runs it there")
@pytest.mark.parametrize(
    "sql",
    [
        "INSERT OR REPLACE INTO trace_event (id, verb, by_id, happened, recorded, payload) "
        "SELECT id, 'x', by_id, happened, recorded, 'x' FROM trace_event",
        "REPLACE INTO trace_eventsubject (id, event_id, kind, key) "
        "SELECT id, event_id, 'x', 'x' FROM trace_eventsubject",
        "REPLACE INTO trace_eventsubject (id, event_id, kind, key) "
        "SELECT id + 1000, event_id, kind, key FROM trace_eventsubject",
        "REPLACE INTO trace_signature "
        "(id, target_kind, target_key, meaning, digest, person_id, name, roles, signed, seal) "
        "SELECT id + 1000, 'unit', 'U', meaning, digest, person_id, name, roles, signed, seal FROM trace_signature",
    ],
    ids=["event", "subject", "subject under another id", "signature under another id"],
)
def test_sqlite_can_not_replace_it(event, sql) -> None:
    before = contents()
    attempt(lambda: connection.cursor().execute(sql))
    assert contents() == before


def test_a_missing_trigger_is_noticed_and_put_back() -> None:
    assert triggers.missing() == set()
    triggers.drop()
    assert len(triggers.missing()) == 9
    with pytest.raises(CommandError, match=r"trigger trace_event_no_delete is missing"):
        call_command("check", databases=["default"])
    call_command("migrate", verbosity=0)
    assert triggers.missing() == set()
