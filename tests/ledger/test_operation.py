"""The decorator of everything that changes the record: one transaction, one event, one answer."""

from __future__ import annotations

import json
import threading

import pytest
from django.db import connection

from tests.factories import START, make_person, make_site, moment
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import Site
from trace.ledger.models import Answer, Event, EventSubject
from trace.ledger.operation import Request, RequestReused, UnknownActor, note, operation


@operation()
def open_site(*, key: str, remark: str = "", by: Person, at) -> Site:
    site = Site.objects.create(key=key, name=key)
    note(("town", "X"), remark=remark)
    if remark == "refuse":
        raise Refusal("No.")
    if remark == "fail":
        raise ZeroDivisionError
    return site


@operation()
def open_sites(*, keys: list[str], by: Person, at) -> list[Site]:
    return [Site.objects.create(key=key, name=key) for key in keys]


@operation()
def count_sites(*, by: Person, at) -> int:
    return Site.objects.count()


@pytest.fixture
def ann() -> Person:
    return make_person("ANN")


def written() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (Site, Event, EventSubject, Answer))


@pytest.mark.django_db
def test_an_operation_writes_one_event_about_everything_it_names(ann) -> None:
    open_site(key="S1", remark="hello", by=ann, at=moment(3))
    event = Event.objects.get()
    assert (event.verb, event.by, event.happened) == ("open_site", ann, moment(3))
    assert event.recorded > event.happened
    payload = json.loads(event.payload)
    assert payload == {
        "version": 1,
        "verb": "open_site",
        "arguments": {"key": "S1", "remark": "hello"},
        "result": "site:S1",
        "facts": {"remark": "hello"},
        "by": "person:ANN",
        "happened": moment(3).isoformat(timespec="microseconds"),
        "recorded": event.recorded.isoformat(timespec="microseconds"),
    }
    assert set(event.subjects.values_list("kind", "key")) == {("site", "S1"), ("town", "X"), ("person", "ANN")}


@pytest.mark.django_db
@pytest.mark.parametrize(("remark", "error"), [("refuse", Refusal), ("fail", ZeroDivisionError)])
def test_whatever_is_raised_leaves_nothing(ann, remark, error) -> None:
    with pytest.raises(error):
        open_site(key="S1", remark=remark, by=ann, at=START, request=Request("c", "1"))
    assert written() == (0, 0, 0, 0)
    open_site(key="S1", by=ann, at=START, request=Request("c", "1"))
    assert Site.objects.count() == 1


@pytest.mark.django_db
def test_a_repeat_gets_the_same_answer_and_changes_nothing(ann) -> None:
    first = open_site(key="S1", by=ann, at=START, request=Request("c", "1"))
    before = written()
    assert open_site(key="S1", by=ann, at=START, request=Request("c", "1")) == first
    assert written() == before
    assert open_sites(keys=["A", "B"], by=ann, at=START, request=Request("c", "2")) == open_sites(
        keys=["A", "B"], by=ann, at=START, request=Request("c", "2")
    )
    assert count_sites(by=ann, at=START, request=Request("c", "3")) == 3
    make_site("LATER")
    assert count_sites(by=ann, at=START, request=Request("c", "3")) == 3


@pytest.mark.django_db
def test_another_request_under_the_same_key_is_refused(ann) -> None:
    open_site(key="S1", by=ann, at=START, request=Request("c", "1"))
    before = written()
    for change in ({"key": "S2"}, {"at": moment(1)}, {"by": make_person("BOB")}, {"remark": "x"}):
        arguments = {"key": "S1", "by": ann, "at": START, **change}
        with pytest.raises(RequestReused) as refusal:
            open_site(**arguments, request=Request("c", "1"))
        assert refusal.value.code == "request-reused"
    with pytest.raises(RequestReused):
        count_sites(by=ann, at=START, request=Request("c", "1"))
    assert written() == before
    open_site(key="S2", by=ann, at=START, request=Request("another client", "1"))


@pytest.mark.django_db
def test_nobody_does_nothing() -> None:
    with pytest.raises(UnknownActor) as refusal:
        open_site(key="S1", by=None, at=START)
    assert refusal.value.code == "unknown-actor"
    assert written() == (0, 0, 0, 0)


@pytest.mark.django_db
def test_an_operation_calls_no_other(ann) -> None:
    @operation()
    def outer(*, by, at):
        make_site("OUTER")
        open_site(key="S1", by=by, at=at)

    with pytest.raises(RuntimeError, match="inside another operation"):
        outer(by=ann, at=START)
    assert written() == (0, 0, 0, 0)
    open_site(key="S1", by=ann, at=START)


def test_notes_belong_to_operations() -> None:
    with pytest.raises(RuntimeError, match="inside an operation"):
        note(remark="x")


def test_arguments_are_named_with_by_and_at_among_them() -> None:
    for work in (lambda by, at: None, lambda *, by: None, lambda *, at: None, lambda x, *, by, at: None):
        with pytest.raises(TypeError, match="keyword-only"):
            operation()(work)


@pytest.mark.django_db
def test_a_float_or_a_moment_without_a_zone_gets_nowhere(ann) -> None:
    with pytest.raises(TypeError):
        open_site(key="S1", remark=0.1, by=ann, at=START)
    with pytest.raises(TypeError):
        open_site(key="S1", by=ann, at=START.replace(tzinfo=None))
    assert written() == (0, 0, 0, 0)


@pytest.mark.django_db
def test_the_gate_comes_before_anything_else(ann, django_assert_num_queries) -> None:
    order = []

    @operation(gate=lambda: order.append("gate"))
    def move(*, by, at):
        order.append("work")

    move(by=ann, at=START, request=Request("c", "1"))
    assert order == ["gate", "work"]


@pytest.mark.django_db(transaction=True)
def test_the_same_request_at_once_is_carried_out_once(ann) -> None:
    answers, errors, together = [], [], threading.Barrier(6)

    def ask() -> None:
        try:
            together.wait(10)
            answers.append(open_site(key="S1", by=ann, at=START, request=Request("c", "1")).pk)
        except BaseException as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=ask) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert errors == []
    assert len(answers) == 6 and len(set(answers)) == 1
    assert (Site.objects.count(), Event.objects.count(), Answer.objects.count()) == (1, 1, 1)
