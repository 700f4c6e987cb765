"""Scans that meet: two stations and one traveller, retries beside their first, a server that dies among them."""

from __future__ import annotations

import json
import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from http.client import HTTPConnection, HTTPException
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from tests.factories import Plant, make_assembly, make_station, moment
from trace.core.errors import Refusal
from trace.core.models import Token
from trace.core.secrecy import secret_digest
from trace.engineering.models import ScanMode, Station
from trace.floor.models import Pass, Unit
from trace.floor.operations.passes import record_passes, start_pass
from trace.ledger.models import Answer, Event
from trace.ledger.operation import Request
from trace.management.benchmark.serving import Server, url_of

pytestmark = pytest.mark.django_db(transaction=True)

on_postgresql = pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's own; CI runs it there")

SCANS = int(os.environ.get("SCANS", "1000"))
"""Scans of the run with retries; CI asks for ten thousand."""


def together(works: Iterable[Callable[[], None]]) -> None:
    """All at once, each in a thread; what one raises is raised here."""
    errors: list[BaseException] = []

    def run(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=[work]) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if errors:
        raise errors[0]


def shop(steps: int = 1, mode: str = ScanMode.GATED) -> tuple[Plant, list[Station]]:
    """A plant with a part that draws nothing and goes through so many steps, each at two stations."""
    plant = Plant()
    stations = [make_station(f"S{n}", mode=mode) for n in range(2 * steps)]
    route = {10 * n + 10: stations[2 * n : 2 * n + 2] for n in range(steps)}
    plant.board = make_assembly("BARE", places={"R1": plant.resistor}, route=route)
    plant.board.designators.update(step_number=None)
    return plant, stations


@pytest.mark.parametrize("round", range(10))
def test_two_stations_that_scan_one_traveller_give_one_pass_and_one_refusal(round: int) -> None:
    plant, stations = shop()
    (board,) = plant.boards()
    start = threading.Barrier(2)
    said: list[Refusal] = []

    def scan(station: Station) -> None:
        start.wait(20)
        try:
            start_pass(unit=board, station=station, by=plant.ann, at=moment(5))
        except Refusal as refusal:
            said.append(refusal)

    together(lambda station=station: scan(station) for station in stations)  # type: ignore[misc]
    (entry,) = Pass.objects.all()
    assert [(refusal.extra["rule"], refusal.message) for refusal in said] == [
        ("inside", f"Stop. {board.key} is already inside {entry.station.key}.")
    ]


@on_postgresql
def test_scans_with_retries_give_the_passes_that_they_should() -> None:
    """Ten people scan at two steps; each scan is sent once or more, by whoever, also while the first is under way."""
    workers = 10
    plant, _ = shop(steps=2, mode=ScanMode.LOOSE)
    stations = list(Station.objects.filter(key__in=["S0", "S2"]).order_by("key"))
    boards = plant.boards(SCANS // 2)
    chance = random.Random(7)
    shares = [boards[n::workers] for n in range(workers)]
    refused: Counter[str] = Counter()
    sent: Counter[str] = Counter()

    def work(share: list[Unit], chance: random.Random) -> None:
        for minute, station in enumerate(stations, 5):
            for board in share:
                key = f"{board.key}-{station.key}"

                def send(board: Unit = board, station: Station = station, key: str = key, minute: int = minute) -> None:
                    sent[key] += 1
                    (entry,) = record_passes(
                        units=[board], station=station, by=plant.ann, at=moment(minute), request=Request("scanner", key)
                    )
                    assert (entry.unit_id, entry.station_id) == (board.pk, station.pk)

                again = chance.random()
                together([send, send]) if again < 0.05 else send()
                if again > 0.85:
                    send()
                if again > 0.95:  # the same scan under another key is another scan: its step is passed
                    try:
                        record_passes(units=[board], station=station, by=plant.ann, at=moment(minute + 0.5))
                    except Refusal as refusal:
                        refused[refusal.extra["rule"]] += 1

    together(lambda share=share: work(share, random.Random(chance.random())) for share in shares)  # type: ignore[misc]
    assert sum(sent.values()) > 1.15 * SCANS
    assert Counter(Pass.objects.values_list("unit", "station")) == Counter(
        (board.pk, station.pk) for board in boards for station in stations
    )
    assert refused.total() > 0 and set(refused) == {"not-due"}
    assert Event.objects.filter(verb="record_passes").count() == Pass.objects.count()


# A server that dies --------------------------------------------------------------------------------------------------


class Scanner:
    """Sends scans to a server until each is answered, as a station's page does; what it was told stays."""

    def __init__(self, server: Server, secret: str) -> None:
        self.server, self.secret = server, secret
        self.answers: dict[str, dict[str, Any]] = {}
        self.unanswered = 0

    def send(self, verb: str, key: str, **arguments: Any) -> dict[str, Any]:
        until = time.monotonic() + 120
        while time.monotonic() < until:
            http = HTTPConnection("127.0.0.1", self.server.port, timeout=20)
            try:
                http.request(
                    "POST",
                    f"/api/v1/operations/{verb}/",
                    json.dumps(arguments),
                    {
                        "Authorization": f"Bearer {self.secret}",
                        "Content-Type": "application/json",
                        "Idempotency-Key": key,
                    },
                )
                answer = http.getresponse()
                content = answer.read()
            except (OSError, HTTPException):
                self.unanswered += 1
                time.sleep(0.02)
                continue
            finally:
                http.close()
            assert answer.status == 201, content
            self.answers[key] = json.loads(content)
            return self.answers[key]
        raise AssertionError("the server did not come back")


def test_a_server_that_is_killed_among_scans_loses_none_and_half_does_none(tmp_path: Path) -> None:
    """Every scan that was acknowledged is on record once; those that were not are sent again, and are there once."""
    plant, stations = shop(steps=2)
    boards = plant.boards(80)
    Token.objects.create(person=plant.ann, name="scanner", digest=secret_digest("secret"), issued=moment())
    connection.close()
    scanners, over = [], threading.Event()
    with Server(url_of(connection.settings_dict), tmp_path) as server:
        scanners = [Scanner(server, "secret") for _ in range(4)]

        def work(scanner: Scanner, share: list[Unit]) -> None:
            for board, minute in zip(share, count(5), strict=False):
                for station in ("S0", "S2"):
                    for verb, told in (("start-pass", {"station": station}), ("finish-pass", {})):
                        at = moment(minute).isoformat()
                        scanner.send(verb, f"{board.key}-{station}-{verb}", unit=board.key, at=at, **told)

        def strike() -> None:
            chance = random.Random(3)
            for _ in range(4):
                if not over.wait(chance.uniform(0.5, 1.5)):
                    server.kill()
                    server.start()

        def scan_all() -> None:
            try:
                together(
                    lambda scanner=scanner, share=boards[n::4]: work(scanner, share)  # type: ignore[misc]
                    for n, scanner in enumerate(scanners)
                )
            finally:
                over.set()

        together([scan_all, strike])
    told = {key: answer for scanner in scanners for key, answer in scanner.answers.items()}
    assert sum(scanner.unanswered for scanner in scanners) > 0, "the server was never killed while it worked"
    assert len(told) == 4 * len(boards)
    passes = Pass.objects.filter(superseded=None)
    assert Counter(passes.values_list("unit", "station__key", "outcome", "inside")) == Counter(
        (board.pk, station, "passed", False) for board in boards for station in ("S0", "S2")
    )
    assert {answer["id"] for answer in told.values()} <= set(Pass.objects.values_list("pk", flat=True))
    events = Event.objects.filter(verb__in=["start_pass", "finish_pass"])
    assert Counter(events.values_list("verb", flat=True)) == {"start_pass": 160, "finish_pass": 160}
    assert Answer.objects.exclude(response="").filter(key__in=told).count() == len(told)
    assert not Answer.objects.filter(response="").exists()
