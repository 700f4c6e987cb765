"""What a device's clock is off is taken away: the record has the true moment, and says how far off the clock was."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.api.test_intake import answers, send
from tests.factories import Plant, moment
from trace.core.clock import now
from trace.core.models import User
from trace.floor.models import Pass
from trace.floor.operations.feeds import load_feed
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


def ask(client: Any, told: dict[str, Any], off: timedelta | None, key: str, verb: str = "define-customer") -> Any:
    """An operation as a device sends it whose clock is so much ahead; None: it does not tell what its clock shows."""
    headers = {"Idempotency-Key": key}
    if off is not None:
        headers["Device-Time"] = (now() + off).isoformat()
    return client.post(f"/api/v1/operations/{verb}/", told, format="json", headers=headers)


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(
    off=st.timedeltas(min_value=-DAY + timedelta(seconds=30), max_value=DAY - timedelta(seconds=30)),
    ago=st.timedeltas(min_value=timedelta(0), max_value=timedelta(days=200)),
    zone=st.sampled_from([0, 120, -420, 330]),
)
def test_whatever_the_clock_is_off_the_true_moment_is_recorded(
    client, off: timedelta, ago: timedelta, zone: float
) -> None:
    with transaction.atomic():
        began = now()
        true = began - ago
        told = (true + off).astimezone(timezone(timedelta(minutes=zone))).isoformat()
        answer = ask(client, {"key": "K-1", "name": "k", "at": told}, off, f"{off}{ago}")
        took = now() - began
        assert answer.status_code == 201, answer.json()
        event = Event.objects.latest("id")
        assert timedelta(0) <= event.happened - true <= took
        facts = json.loads(event.payload)["facts"]
        ((noted, length),) = facts.items()
        seconds = float(length.removeprefix("PT").removesuffix("S"))
        signed = seconds if noted == "device_clock_ahead" else -seconds
        assert 0 <= off.total_seconds() - signed <= took.total_seconds()
        transaction.set_rollback(True)


def test_every_moment_is_put_right_and_a_repeat_under_the_key_is_one(client) -> None:
    plant = Plant()
    (board,) = plant.boards()
    off = timedelta(hours=5)
    told = {"units": [board.key], "station": "INSERT", "entered": (moment(10) + off).isoformat()}
    told["at"] = (moment(11) + off).isoformat()
    first = ask(client, told, off, "once", "record-passes")
    assert first.status_code == 201, first.json()
    entry = Pass.objects.get()
    for ticks, true in ((entry.scanned_in, moment(10)), (entry.scanned_out, moment(11))):
        assert abs(datetime.fromtimestamp(ticks / 1_000_000, UTC) - true) < timedelta(seconds=5)
    again = ask(client, told, off, "once", "record-passes")  # a little later: its latency is another
    assert again.json() == first.json() and Pass.objects.count() == 1


def test_without_the_header_all_stays_as_it_was(client) -> None:
    assert ask(client, {"key": "K-1", "name": "k", "at": moment(3).isoformat()}, None, "1").status_code == 201
    event = Event.objects.latest("id")
    assert event.happened == moment(3) and json.loads(event.payload)["facts"] == {}
    ahead = {"key": "K-2", "name": "k", "at": (now() + timedelta(hours=1)).isoformat()}
    assert ask(client, ahead, None, "2").status_code == 400
    assert ask(client, ahead, timedelta(hours=1), "3").status_code == 201
    assert ask(client, ahead, -timedelta(hours=1), "4").status_code == 400


@pytest.mark.parametrize(
    ("shown", "why"),
    [
        ("yesterday", "“yesterday” is no moment with an offset"),
        ("2026-03-02T14:30", "no moment with an offset"),
        ("2999-01-01T00:00:00Z", "days or more ahead"),
        ("1970-01-01T00:00:00Z", "days or more behind"),
        ("0001-01-01T00:00:00+23:59", "behind"),
    ],
)
def test_a_clock_that_can_not_be_put_right_is_refused(client, shown: str, why: str) -> None:
    told = {"key": "K-1", "name": "k", "at": moment(3).isoformat()}
    headers = {"Idempotency-Key": "1", "Device-Time": shown}
    answer = client.post("/api/v1/operations/define-customer/", told, format="json", headers=headers)
    problem = answer.json()
    assert (
        (answer.status_code, problem["code"]) == (400, "bad-clock") and why in problem["detail"] and problem["action"]
    )
    assert not Event.objects.exists()
    assert client.get("/api/v1/lots/", headers={"Device-Time": shown}).status_code == 200


def test_in_a_batch_each_line_is_put_right(client) -> None:
    plant = Plant()
    off = timedelta(minutes=-90)
    lines = []
    for number, reel in enumerate((plant.reel("A"), plant.reel("B")), 5):
        at = (moment(number) + off).isoformat()
        lines.append({"operation": "load_feed", "key": f"{number}", "feed": "SLOT-R", "container": reel.key, "at": at})
    shown = {"Device-Time": (now() + off).isoformat()}
    assert [line["status"] for line in answers(send(client, *lines, **shown))] == [201, 201]
    happened = Event.objects.filter(verb=load_feed.__name__).order_by("id").values_list("happened", flat=True)
    for true, recorded in zip((moment(5), moment(6)), happened, strict=True):
        assert timedelta(0) <= recorded - true < timedelta(seconds=5)
    told = answers(send(client, *lines, **{"Device-Time": "never"}))
    assert [(line["status"], line["problem"]["code"]) for line in told] == [(400, "bad-clock")] * 2


def test_a_file_too(client) -> None:
    Plant()
    content = "Designator,Quantity,Part\nR1,1,RES\n"
    told = {"assembly": "NEW", "content": content, "at": (now() + timedelta(hours=2)).isoformat()}
    made = {"number": "NEW", "name": "n", "kind": "assembly", "level": 1, "key": "NEW", "at": moment(1).isoformat()}
    assert ask(client, made, None, "1", "define-part").status_code == 201
    headers = {"Device-Time": (now() + timedelta(hours=2)).isoformat()}
    answer = client.post("/api/v1/files/bom/", told, format="json", headers=headers)
    assert answer.status_code == 200, answer.json()
    event = Event.objects.get(verb="enter_bom")
    assert abs(event.happened - now()) < timedelta(seconds=20) and "device_clock_ahead" in event.payload


def test_what_somebody_set_is_told_by_no_clock_and_may_be_to_come(client) -> None:
    Plant()
    assert client.do("define_qualification", key="Q", name="hand soldering").status_code == 201
    told = {"person": "ANN", "qualification": "Q", "since": "2026-01-01T00:00Z", "until": "2046-01-01T00:00Z"}
    answer = ask(client, {**told, "at": now().isoformat()}, timedelta(hours=3), "1", "qualify-person")
    assert answer.status_code == 201, answer.json()
    assert (answer.json()["since"], answer.json()["until"]) == ("2026-01-01T00:00:00Z", "2046-01-01T00:00:00Z")
    late = {**told, "until": "9999-12-31T23:59-10:00", "at": now().isoformat()}
    assert ask(client, late, None, "2", "qualify-person").status_code == 400


def test_a_signature_is_by_the_servers_clock(client) -> None:
    Plant().lot("K77")
    User.objects.create_user("una", password="tin-plated-1", person=client.person)
    body = {"kind": "lot", "key": "K77", "meaning": "approved", "username": "una", "password": "tin-plated-1"}
    headers = {"Idempotency-Key": "1", "Device-Time": (now() - timedelta(hours=23)).isoformat()}
    answer = client.post("/api/v1/signatures/sign/", body, format="json", headers=headers)
    assert answer.status_code == 201, answer.json()
    assert abs(Event.objects.get(verb="sign").happened - now()) < timedelta(minutes=1)
