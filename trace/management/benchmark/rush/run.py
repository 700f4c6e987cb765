"""Carry a rush out: who sends what, what each answer took, whether every answer was right."""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.db import connection

from trace.floor.models import Pass, Unit
from trace.management.benchmark.databases import on_postgresql, on_sqlite, version
from trace.management.benchmark.history import History
from trace.management.benchmark.rush.plant import ENGINEERS, RACK, RushPlant
from trace.management.benchmark.serving import Server, url_of

SHARES = (50, 95, 99)
"""Percent of the answers that came within the time that is told."""
PAUSE = 1.0
"""Seconds in which an engineer looks at an answer before the next question; stations and machine make none."""
BARE = "trace.management.benchmark.rush.bare"


class Client:
    """Somebody who asks again and again over one connection, and notes how long each answer took."""

    def __init__(self, port: int, secret: str) -> None:
        self.http = HTTPConnection("127.0.0.1", port, timeout=60)
        self.headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
        self.taken: dict[str, list[float]] = {}
        self.wrong: list[str] = []

    def ask(self, what: str, method: str, address: str, **told: Any) -> Any:
        headers = {**self.headers, "Idempotency-Key": uuid4().hex}
        begun = time.perf_counter()
        try:
            self.http.request(method, address, json.dumps(told) if told else None, headers)
            answer = self.http.getresponse()
            content = answer.read()
        except OSError as error:
            self.http.close()
            self.wrong.append(f"{address}: {error!r}")
            return None
        self.taken.setdefault(what, []).append(time.perf_counter() - begun)
        if answer.status >= 300:
            self.wrong.append(f"{address}: {answer.status} {content[:300]!r}")
            return None
        return json.loads(content)


@dataclass
class Rush:
    """So many seconds of it, and as many of the bare page; `results` is plain data."""

    seconds: int
    boards: int
    folder: Path
    url: str
    say: Callable[[str], None]
    results: dict[str, Any] = field(default_factory=dict)

    def carry_out(self) -> dict[str, Any]:
        database = on_postgresql(self.url, "rush") if self.url else on_sqlite(self.folder, "rush")
        with database:
            self.say("building the plant")
            plant = RushPlant(History(self.boards))
            plant.build(self.seconds * 200)
            self.plant, self.lot = plant, plant.asked
            self.results = {"database": version(), "seconds": self.seconds, "boards": self.boards}
            address = url_of(connection.settings_dict)
            connection.close()
            self.folder.mkdir(exist_ok=True)
            for name, application, jobs in (
                ("bare", BARE, self.bare_jobs),
                ("plant", settings.WSGI_APPLICATION.replace(".application", ""), self.jobs),
            ):
                self.say(f"{self.seconds} s of {'a bare page' if name == 'bare' else 'the plant'}")
                with Server(address, self.folder, application) as server:
                    work = jobs()
                    self.load(server, work, 2)  # until every process and thread has made its connections
                    self.results[name] = self.load(server, work, self.seconds)
            self.results["wrong"] += self.differences()
        return self.results

    def load(self, server: Server, work: dict[str, Callable[[Client], None]], seconds: int) -> dict[str, Any]:
        """All clients at once, each with its job, over and over until time is up; {what: how many, how long}."""
        clients = {secret: Client(server.port, secret) for secret in self.plant.clients}
        self.over = threading.Event()

        def run(secret: str) -> None:
            while not self.over.is_set():
                work[secret](clients[secret])

        threads = [threading.Thread(target=run, args=[secret], daemon=True) for secret in clients]
        begun = time.perf_counter()
        for thread in threads:
            thread.start()
        self.over.wait(seconds)
        self.over.set()
        for thread in threads:
            thread.join(120)
        lasted = time.perf_counter() - begun
        for client in clients.values():
            client.http.close()
        self.results.setdefault("wrong", []).extend(one for client in clients.values() for one in client.wrong)
        kinds = sorted({what for client in clients.values() for what in client.taken})
        taken = {what: sorted(t for c in clients.values() for t in c.taken.get(what, ())) for what in kinds}
        return {
            what: {
                "answers": len(times),
                "per_second": len(times) / lasted,
                **{f"p{share}_ms": times[min(len(times) * share // 100, len(times) - 1)] * 1000 for share in SHARES},
            }
            for what, times in taken.items()
        }

    def bare_jobs(self) -> dict[str, Callable[[Client], None]]:
        return dict.fromkeys(self.plant.clients, lambda client: client.ask("insert", "POST", "/bare/"))

    def jobs(self) -> dict[str, Callable[[Client], None]]:
        """Boards come from the machine, and go from hand to hand."""
        plant = self.plant
        waiting: list[SimpleQueue[str]] = [SimpleQueue() for _ in range(len(plant.stations) + 1)]
        fresh: Iterator[Unit] = iter(plant.units)
        self.scanned: Counter[tuple[str, str]] = Counter()
        self.answers: set[str] = set()

        def report(client: Client) -> None:
            """The machine's rack, unless enough wait for hands already."""
            if waiting[0].qsize() > 4 * RACK * ENGINEERS:
                self.over.wait(0.05)
                return
            boards = [unit.key for _, unit in zip(range(RACK), fresh, strict=False)]
            if boards and client.ask(
                "rack", "POST", "/api/v1/operations/record-passes/", units=boards, station=plant.machine.key, at=_now()
            ):
                for board in boards:
                    self.scanned[board, plant.machine.key] += 1
                    waiting[0].put(board)

        def operate(number: int, station: str) -> Callable[[Client], None]:
            def scan(client: Client) -> None:
                try:
                    board = waiting[number].get(timeout=0.2)
                except Empty:
                    return
                into = {"unit": board, "station": station, "at": _now()}
                inside = client.ask("scan in", "POST", "/api/v1/operations/start-pass/", **into)
                if inside and client.ask("scan out", "POST", "/api/v1/operations/finish-pass/", unit=board, at=_now()):
                    self.scanned[board, station] += 1
                    waiting[number + 1].put(board)

            return scan

        def ask(client: Client) -> None:
            self.over.wait(PAUSE)
            found = client.ask("recall", "GET", f"/api/v1/affected/?lot={self.lot}")
            if found:
                self.answers.add(json.dumps(found.get("counts", found), sort_keys=True))

        return {
            "M-MACHINE": report,
            **{
                f"O-{station.key}": operate(number, station.key)
                for number, step in enumerate(plant.stations)
                for station in step
            },
            **{secret: ask for secret in plant.clients if secret.startswith("E-")},
        }

    def differences(self) -> list[str]:
        """What the record says otherwise than those who scanned were told."""
        passes = Pass.objects.filter(unit__part=self.plant.part, inside=False)
        recorded = Counter(passes.values_list("unit__key", "station__key"))
        wrong = [f"{key} at {at}: {n} on record" for (key, at), n in (recorded - self.scanned).items()]
        wrong += [f"{key} at {at}: not on record" for key, at in self.scanned - recorded]
        if len(self.answers) != 1:
            wrong.append(f"engineers got {len(self.answers)} different answers to one question")
        return wrong


def _now() -> str:
    return datetime.now(UTC).isoformat()
