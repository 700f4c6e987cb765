"""Batches of machines: each line by itself, once under its key, in the order of the lines."""

from __future__ import annotations

import json

import pytest

from tests.factories import Plant, moment
from trace.core.permissions import Role
from trace.floor.models import Pass
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

LINES = "application/x-ndjson"


def send(client, *lines: object, **headers: str):
    text = "\n".join(line if isinstance(line, str) else json.dumps(line) for line in lines)
    return client.post("/api/v1/intake/", text, content_type=LINES, headers={"Accept": LINES, **headers})


def answers(response) -> list[dict]:
    assert response.status_code == 200 and response["Content-Type"].startswith(LINES), response.content
    return [json.loads(line) for line in response.content.splitlines()]


def visit(key: str, unit: str, minute: float) -> dict:
    at, entered = moment(minute + 1).isoformat(), moment(minute).isoformat()
    return {
        "operation": "record_passes", "key": key, "units": [unit], "station": "INSERT", "entered": entered, "at": at,
    }  # fmt: skip


def test_what_is_right_is_recorded_and_what_is_not_is_told_by_line(client) -> None:
    plant = Plant()
    one, two = plant.boards(2)
    told = answers(
        send(
            client,
            visit("a", one.key, 6),
            "{",
            "",
            visit("b", "NONE", 7),
            visit("c", two.key, 8),
            {**visit("d", one.key, 9), "operation": "enter_bom"},
            "[1]",
            {**visit("", one.key, 9)},
            visit("e", one.key, 10),
        )
    )
    assert [(line["line"], line["status"]) for line in told] == [
        (1, 201), (2, 400), (4, 400), (5, 201), (6, 400), (7, 400), (8, 400), (9, 409),
    ]  # fmt: skip
    assert told[0]["result"][0]["unit"] == one.key
    assert "No unit has the key NONE" in str(told[2]["problem"]["extra"]) and told[-1]["problem"]["action"]
    assert Pass.objects.count() == 2


def test_a_batch_sent_again_changes_nothing(client) -> None:
    plant = Plant()
    one, two = plant.boards(2)
    batch = visit("a", one.key, 6), visit("b", two.key, 8)
    first = answers(send(client, *batch))
    events = Event.objects.count()
    assert answers(send(client, *batch)) == first and Event.objects.count() == events


def test_a_line_is_for_those_whom_the_table_names(client_of) -> None:
    plant = Plant()
    (one,) = plant.boards(1)
    (told,) = answers(send(client_of([Role.AUDITOR]), visit("a", one.key, 6)))
    assert (told["status"], told["problem"]["code"]) == (403, "not-permitted")
    assert not Pass.objects.exists()


def test_too_many_lines_and_none_are_refused_whole(client) -> None:
    for lines in (["{}"] * 10_001, [], ["", " "]):
        answer = send(client, *lines)
        assert answer.status_code == 400 and "Send 1 to 10000 lines" in answer.content.decode()
