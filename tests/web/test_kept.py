"""Scans that a browser kept: who made them, when, once; what comes late and is refused."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any
from unittest import mock
from urllib.parse import unquote

import pytest
from django.test import Client
from django.test.utils import override_settings

from tests.factories import Plant
from tests.web.bench import open_bench
from tests.web.conftest import make_user
from tests.web.test_kiosk import BOB, EVE, Shop
from trace.core.clock import now, to_ticks
from trace.core.permissions import Role
from trace.engineering.operations import retire_person
from trace.floor.models import Pass, RefusedScan
from trace.floor.operations.passes import start_pass
from trace.holds.operations import place_holds, release_hold
from trace.ledger.models import Answer, Event
from trace.web import kept

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _bench(monkeypatch: pytest.MonkeyPatch) -> Any:
    open_bench(monkeypatch)
    with override_settings(ROOT_URLCONF="tests.web.bench"):
        yield


class Bench:
    """Somebody's browser at the test station of a plant, with boards that are due there."""

    def __init__(self, client: Client | None = None) -> None:
        self.plant = Plant()
        self.client = client or Client()
        if client is None:
            self.user = make_user("bob", roles=[Role.OPERATOR])
            self.client.force_login(self.user)
        self.boards = self.plant.boards(3, minute=1)
        for minute, board in enumerate(self.boards, 2):
            self.plant.run(board, self.plant.insertion, minute, minute + 0.5)

    def ticket(self, station: str = "TEST") -> str:
        page = self.client.get(f"/station/{station}/bench/").content.decode()
        return page.split('name="ticket" value="')[1].split('"')[0]

    def send(self, unit: str, mark: str, ago: float = 0, *, off: float = 0, station: str = "TEST", **more: Any) -> Any:
        """A scan made so many seconds ago at a device whose clock is so many ahead."""
        scanned, sent = (now() + timedelta(seconds=seconds) for seconds in (off - ago, off))
        more_headers = {"Clock-Off": more.pop("known")} if "known" in more else {}
        headers = {"Kept-Id": mark, "Kept-At": more.pop("shown", scanned.isoformat()), "Device-Time": sent.isoformat()}
        fields = {"do": "in", "unit": unit, "says": f"Scan in {unit}", **more}
        if "ticket" not in fields:
            fields["ticket"] = self.ticket(station)
        return self.client.post(f"/station/{station}/bench/", fields, headers={**headers, **more_headers})


@pytest.fixture
def bench(db: None) -> Bench:
    return Bench()


def hour_ago(bench: Bench) -> str:
    """A ticket that was handed out an hour ago."""
    with mock.patch.object(kept, "now", return_value=now() - timedelta(hours=1)):
        return bench.ticket()


def test_a_scan_is_recorded_as_of_when_it_was_made_by_whoever_made_it(bench: Bench) -> None:
    (board, *_), ticket = bench.boards, hour_ago(bench)
    bench.client.force_login(make_user("eve", roles=[Role.OPERATOR]))
    answer = bench.send(board.key, "a1", ago=1800, ticket=ticket)
    assert (answer.status_code, answer["Scan-Answer"], answer["Kept-Id"]) == (200, "go", "a1")
    entry = Pass.objects.get(station=bench.plant.test)
    assert entry.by.key == "U-BOB" and abs(to_ticks(now()) - (entry.scanned_in or 0) - 1_800_000_000) < 5_000_000
    event = Event.objects.get(verb="start_pass", by=entry.by)
    assert json.loads(event.payload)["facts"]["sent_by"] == "U-EVE"
    assert timedelta(minutes=29) < event.recorded - event.happened < timedelta(minutes=31)


@pytest.mark.parametrize("off", [3 * 3600, -5 * 3600, 40])
def test_a_clock_that_is_off_by_hours_is_put_right(bench: Bench, off: float) -> None:
    ticket = hour_ago(bench)
    assert bench.send(bench.boards[0].key, "a1", ago=600, off=off, ticket=ticket)["Scan-Answer"] == "go"
    entry = Pass.objects.get(station=bench.plant.test)
    assert abs(to_ticks(now()) - (entry.scanned_in or 0) - 600_000_000) < 5_000_000
    facts = json.loads(Event.objects.get(verb="start_pass", by=entry.by).payload)["facts"]
    noted = facts["device_clock_ahead" if off > 0 else "device_clock_behind"]
    assert abs(float(noted[2:-1]) - abs(off)) < 2


def test_scans_in_quick_succession_keep_their_order_however_long_each_was_on_its_way(bench: Bench) -> None:
    board, ticket = bench.boards[0], hour_ago(bench)
    into, out = (now() - timedelta(seconds=seconds) for seconds in (100, 99.9))
    first = bench.send(board.key, "a1", off=-4, shown=into.isoformat(), ticket=ticket)  # four seconds on its way
    assert first["Scan-Answer"] == "go" and -6 < float(first["Clock-Off"]) <= -4
    told = {"shown": out.isoformat(), "ticket": ticket, "do": "out", "outcome": "passed"}
    assert bench.send(board.key, "a2", known=first["Clock-Off"], **told)["Scan-Answer"] == "go"
    entry = Pass.objects.get(station=bench.plant.test)
    assert abs((entry.scanned_out or 0) - (entry.scanned_in or 0) - 100_000) < 1_000
    # A clock that was set since is measured anew; what is no number is not heeded.
    for known in ("3600", "nan", "x", "1e300"):
        other = bench.send(bench.boards[1].key, known, known=known, ticket=ticket)
        assert abs(float(other["Clock-Off"])) < 2
    assert (abs(to_ticks(now()) - (Pass.objects.get(inside=True).scanned_in or 0))) < 10_000_000


def test_a_repeat_gets_the_first_answer_though_its_clock_is_read_anew(bench: Bench) -> None:
    ticket, shown = hour_ago(bench), (now() - timedelta(minutes=5)).isoformat()
    board, other, _ = bench.boards
    for off in (0, 0.2, 3):
        assert bench.send(board.key, "a1", off=off, shown=shown, ticket=ticket)["Scan-Answer"] == "go"
    assert Pass.objects.filter(station=bench.plant.test).count() == 1
    # The answer to the scan out was lost. Meanwhile the unit is inside again, and the repeat changes nothing.
    out = {"shown": (now() - timedelta(minutes=4)).isoformat(), "do": "out", "outcome": "failed", "ticket": ticket}
    assert bench.send(board.key, "a2", **out)["Scan-Answer"] == "go"
    start_pass(unit=board, station=bench.plant.test, by=bench.plant.ann, at=now())
    assert bench.send(board.key, "a2", **out)["Scan-Answer"] == "go"
    assert Pass.objects.filter(unit=board, inside=True).count() == 1
    assert Answer.objects.filter(client="scan:U-BOB").count() == 2
    # Another unit under the same id is another scan, and not taken for a repeat.
    assert bench.send(other.key, "a1", shown=shown, ticket=ticket)["Scan-Answer"] == "go"
    assert Pass.objects.filter(station=bench.plant.test, unit=other).count() == 1


def test_the_server_dies_between_commit_and_answer(bench: Bench) -> None:
    board, ticket, shown = bench.boards[0], bench.ticket(), now().isoformat()
    bench.client.raise_request_exception = False
    with mock.patch("tests.web.bench.stamp", side_effect=SystemError("killed")):
        assert bench.send(board.key, "a1", shown=shown, ticket=ticket).status_code == 500
    before = Event.objects.count()
    assert bench.send(board.key, "a1", shown=shown, ticket=ticket)["Scan-Answer"] == "go"
    assert Event.objects.count() == before and Pass.objects.filter(station=bench.plant.test).count() == 1


def test_two_devices_do_not_meet_under_one_id(bench: Bench) -> None:
    one, two, _ = bench.boards
    bench.send(one.key, "a1")
    other = make_user("eve", roles=[Role.OPERATOR])
    bench.client.force_login(other)
    assert bench.send(two.key, "a1")["Scan-Answer"] == "go"
    assert {entry.by.key for entry in Pass.objects.filter(station=bench.plant.test)} == {"U-BOB", "U-EVE"}


# Refused -------------------------------------------------------------------------------------------------------------


def test_what_is_refused_at_once_is_told_and_not_kept(bench: Bench) -> None:
    board = bench.boards[0]
    bench.send(board.key, "a1")
    answer = bench.send(board.key, "a2")
    assert (answer.status_code, answer["Scan-Answer"]) == (409, "stop")
    assert "already inside" in unquote(answer["Scan-Says"]) and "Scan-Refused" not in answer
    assert not RefusedScan.objects.exists()


def test_what_is_refused_late_is_judged_as_of_the_scan_and_kept_once(bench: Bench) -> None:
    board, ticket, shown = bench.boards[0], hour_ago(bench), (now() - timedelta(minutes=20)).isoformat()
    (hold,) = place_holds(targets=[board], reason="Smells burnt.", by=bench.plant.ann, at=now() - timedelta(minutes=30))
    first = bench.send(board.key, "a1", shown=shown, ticket=ticket)
    assert (first.status_code, first["Scan-Answer"]) == (409, "stop")
    scan = RefusedScan.objects.get()
    assert first["Scan-Refused"] == scan.key and scan.sentence in unquote(first["Scan-Says"])
    assert (scan.unit, scan.by.key, scan.station, scan.scanned) == (
        board, "U-BOB", bench.plant.test, f"Scan in {board.key}",
    )  # fmt: skip
    assert scan.told == f"do: in; unit: {board.key}" and "Smells burnt" in scan.sentence and scan.action
    assert abs(scan.recorded - scan.happened - 1_200_000_000) < 5_000_000
    # Its answer was lost. Though it would be let in by now, the repeat hears what was kept, and is not kept again.
    release_hold(hold=hold, reason="It was the next one.", by=bench.plant.ann, at=now())
    again = bench.send(board.key, "a1", shown=shown, ticket=ticket)
    assert (again["Scan-Says"], again["Scan-Refused"]) == (first["Scan-Says"], scan.key)
    assert RefusedScan.objects.count() == 1 and not Pass.objects.filter(station=bench.plant.test).exists()
    assert "1 refused" in bench.client.get("/station/TEST/bench/").content.decode()


def test_what_nobody_can_be_held_to_is_refused_and_kept_for_whoever_sent_it(bench: Bench) -> None:
    board, old = bench.boards[0], (now() - timedelta(hours=3)).isoformat()
    elsewhere = bench.ticket("INSERT")
    with mock.patch.object(kept, "now", return_value=now() - timedelta(hours=20)):
        stale = bench.ticket()
    wrong = {
        "none": ("", "does not say who"),
        "forged": (bench.ticket()[:-1] + "_", "does not say who"),
        "elsewhere": (elsewhere, "was made at INSERT, and not at TEST"),
        "stale": (stale, "opened in another shift"),
        "before": (bench.ticket(), "opened in another shift"),
    }
    for number, (mark, (ticket, words)) in enumerate(wrong.items(), 1):
        for _ in range(2):
            answer = bench.send(board.key, mark, shown=old, ticket=ticket)
            assert (answer.status_code, answer["Scan-Answer"]) == (403, "stop")
            assert words in unquote(answer["Scan-Says"])
        assert RefusedScan.objects.count() == number
    assert {scan.by.key for scan in RefusedScan.objects.all()} == {"U-BOB"}
    assert not Pass.objects.filter(station=bench.plant.test).exists()
    assert bench.send(board.key, "now", ticket=elsewhere).status_code == 403  # at once: told, not kept
    assert RefusedScan.objects.count() == len(wrong)


@pytest.mark.parametrize(
    ("headers", "why"),
    [
        ({"Kept-At": "soon"}, "“soon” is no moment"),
        ({"Kept-At": "2026-03-02T06:00:00"}, "is no moment with an offset"),
        ({"Kept-At": "0001-01-01T00:00:00+14:00"}, "is no moment|long before any plant"),
        ({"Kept-At": "9999-12-31T23:59:59Z"}, "still to come"),
        ({"Device-Time": ""}, "“” is no moment"),
        ({"Device-Time": "1970-01-01T00:00:00Z"}, "behind"),
    ],
)
def test_a_clock_that_cannot_be_read_is_refused(bench: Bench, headers: dict[str, str], why: str) -> None:
    told = {"Kept-Id": "a1", "Kept-At": now().isoformat(), "Device-Time": now().isoformat(), **headers}
    fields = {"do": "in", "unit": bench.boards[0].key, "ticket": bench.ticket()}
    answer = bench.client.post("/station/TEST/bench/", fields, headers=told)
    assert (answer.status_code, answer["Scan-Answer"]) == (400, "stop")
    assert any(words in unquote(answer["Scan-Says"]) for words in why.split("|"))
    assert RefusedScan.objects.get().code == "bad-clock" and not Pass.objects.filter(station=bench.plant.test).exists()


def test_who_left_before_the_scan_is_refused_and_who_left_after_it_not(bench: Bench) -> None:
    one, two, _ = bench.boards
    ticket = hour_ago(bench)
    retire_person(person=bench.user.person, by=bench.plant.ann, at=now() - timedelta(minutes=10))
    bench.client.force_login(make_user("eve", roles=[Role.OPERATOR]))
    assert bench.send(one.key, "a1", ago=1200, ticket=ticket)["Scan-Answer"] == "go"
    assert bench.send(two.key, "a2", ago=300, ticket=ticket)["Scan-Answer"] == "stop"
    scan = RefusedScan.objects.get()
    assert scan.code == "unknown-actor" and scan.by.key == "U-EVE" and "is no longer here" in scan.sentence


def test_who_has_lost_the_role_is_refused_and_their_scan_kept(bench: Bench) -> None:
    ticket, person = hour_ago(bench), bench.user.person
    assert person
    person.roles = [Role.AUDITOR]
    person.save()
    bench.client.force_login(make_user("eve", roles=[Role.OPERATOR]))
    answer = bench.send(bench.boards[0].key, "a1", ago=600, ticket=ticket)
    assert (answer.status_code, answer["Scan-Answer"]) == (403, "stop")
    assert (RefusedScan.objects.get().code, RefusedScan.objects.get().by) == ("not-permitted", person)


def test_odd_words_are_kept_as_far_as_they_go(bench: Bench) -> None:
    odd = "\x00" + "ü" * 3000
    answer = bench.send(odd, "a1", ago=600, ticket=hour_ago(bench), says="s" * 500)
    assert answer["Scan-Answer"] == "stop"
    scan = RefusedScan.objects.get()
    assert len(scan.told) == 1000 and len(scan.scanned) == 200 and scan.unit is None


# Not understood: the browser goes on keeping it ----------------------------------------------------------------------


def test_only_an_answer_to_the_very_scan_is_stamped(bench: Bench) -> None:
    ticket = bench.ticket()
    bench.client.logout()
    answer = bench.send(bench.boards[0].key, "a1", ticket=ticket)
    assert answer.status_code == 302 and "Scan-Answer" not in answer
    bench.client.force_login(make_user("visitor", roles=[Role.AUDITOR]))
    answer = bench.send(bench.boards[0].key, "a1", ticket=ticket)
    assert answer.status_code == 403 and "Scan-Answer" not in answer
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(bench.user)
    bench.client = strict
    answer = bench.send(bench.boards[0].key, "a1", ticket=ticket)
    assert answer.status_code == 403 and "Scan-Answer" not in answer
    assert not Pass.objects.filter(station=bench.plant.test).exists()


def test_a_plain_form_works_without_all_that(bench: Bench) -> None:
    board = bench.boards[0]
    answer = bench.client.post("/station/TEST/bench/", {"do": "in", "unit": board.key})
    assert (answer["Scan-Answer"], answer["Kept-Id"]) == ("go", "") and b"is inside" in answer.content
    answer = bench.client.post("/station/TEST/bench/", {"do": "in", "unit": board.key})
    assert answer.status_code == 409 and not RefusedScan.objects.exists()


# At a device ---------------------------------------------------------------------------------------------------------


def test_at_a_device_the_ticket_says_who_scanned_and_which_device(db: None) -> None:
    shop = Shop()
    shop.device.stations = ["TEST"]
    shop.device.save()
    shop.sign_in(BOB)
    board = shop.plant.boards(1, minute=1)[0]
    shop.plant.run(board, shop.plant.insertion, 2, 3)
    bench = Bench.__new__(Bench)
    bench.plant, bench.client, bench.boards = shop.plant, shop.browser, [board]
    ticket = bench.ticket()
    shop.bob.roles = [Role.OPERATOR, Role.PLANNER]
    shop.bob.save()
    shop.sign_in(EVE)
    assert bench.send(board.key, "a1", ticket=ticket)["Scan-Answer"] == "go"
    event = Event.objects.latest("pk")
    assert event.by == shop.bob and json.loads(event.payload)["facts"]["sent_by"] == "EVE"
    # Away from the device the ticket proves nothing.
    bench.client = Client()
    bench.client.force_login(make_user("ann"))
    answer = bench.send(board.key, "a2", ticket=ticket, do="out", outcome="passed")
    assert answer.status_code == 403 and "another device" in unquote(answer["Scan-Says"])


def test_a_device_of_another_station_records_nothing_here(db: None) -> None:
    shop = Shop()
    shop.sign_in(BOB)
    board = shop.plant.boards(1, minute=1)[0]
    shop.plant.run(board, shop.plant.insertion, 2, 3)
    bench = Bench.__new__(Bench)
    bench.plant, bench.client, bench.boards = shop.plant, shop.browser, [board]
    answer = bench.send(board.key, "a1", ago=0)
    assert answer.status_code == 403 and "is for INSERT" in unquote(answer["Scan-Says"])


# The page that settles them ------------------------------------------------------------------------------------------


def test_the_page_shows_and_settles_refused_scans(bench: Bench) -> None:
    board = bench.boards[0]
    ticket = hour_ago(bench)
    bench.send(board.key, "a0", ago=700, ticket=ticket)
    bench.send(board.key, "a1", ago=600, ticket=ticket)
    scan = RefusedScan.objects.get()
    page = bench.client.get("/refused-scans/").content.decode()
    assert (
        scan.sentence.removeprefix("Stop. ")[:20] in page and f"/units/{board.key}/" in page and "Settle it" not in page
    )
    assert "of an outage" not in bench.client.get("/").content.decode()
    refused = bench.client.post("/refused-scans/", {"do": "settle_refused_scan", "scan": scan.key, "reason": "x"})
    assert refused.status_code == 409
    bench.client.force_login(make_user("chief", roles=[Role.SUPERVISOR]))
    assert "1 scan of an outage was refused" in bench.client.get("/").content.decode()
    told = {"do": "settle_refused_scan", "scan": scan.key}
    assert bench.client.post("/refused-scans/", {**told, "reason": " "}).status_code == 400
    answer = bench.client.post("/refused-scans/", {**told, "reason": "It was scanned twice."})
    assert answer.status_code == 302
    page = bench.client.get(answer.url).content.decode()
    assert f"{scan.key} is settled: It was scanned twice." in page and "None waits" in page
    assert bench.client.post("/refused-scans/", {**told, "reason": "again"}).status_code == 409
    scan.refresh_from_db()
    assert scan.settled_by and scan.settled_by.key == "U-CHIEF" and scan.reason == "It was scanned twice."
    assert "of an outage" not in bench.client.get("/").content.decode()
