"""Units move while holds are placed: no pass may be recorded that the hold's transaction did not see.

The stop of a containment is one exclusive transaction: it holds, and lists the passes there are. Whatever a mover
adds to that list afterwards has slipped past the hold. The same plant with a gate that only checks must leak, or
these tests prove nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from django.conf import settings
from django.db import connection
from psycopg import IsolationLevel

from tests.factories import Plant, make_assembly, make_station, moment
from trace.core import permissions
from trace.core.errors import Refusal
from trace.engineering.models import ScanMode, Station
from trace.floor.models import Pass, Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.holds import gate
from trace.holds.gate import holding
from trace.holds.operations import place_holds
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db(transaction=True)

Rows = set[tuple[int, str]]


@dataclass
class Race:
    """A plant in which boards fail one step again and again, so that they never stop moving by themselves."""

    workers: int
    pause: float = 0
    """Between two moves of a worker: SQLite gives a busy database to whoever asks first, and a stop could wait long."""
    plant: Plant = field(default_factory=Plant)
    rounds: int = 0
    moves: int = 0
    leaks: int = 0
    stopped: set[int] = field(default_factory=set)
    """Passes of units that were stopped after the work: what they drew is on record, and they went nowhere."""
    errors: list[BaseException] = field(default_factory=list)

    def __post_init__(self) -> None:
        plant = self.plant
        self.gated, self.loose = make_station("GATED"), make_station("LOOSE", mode=ScanMode.LOOSE)
        self.part = make_assembly("RACER", places={"R1": plant.resistor}, route={10: [self.gated, self.loose]})
        self.feeds = []
        for station in (self.gated, self.loose):
            feed = plant.do(define_feed, key=f"F-{station.key}", station=station)
            plant.do(start_setup, key=f"S-{station.key}", station=station, assembly=self.part, feeds={"R1": feed})
            self.feeds.append(feed)

    def run(self, seconds: float, enough: Callable[[], bool]) -> None:
        until = time.monotonic() + seconds
        while not self.errors and not enough() and time.monotonic() < until:
            self.round()
        if self.errors:
            raise self.errors[0]

    def round(self) -> None:
        """All move until they are stopped: every other round by the units, else by the lots on the feeds."""
        self.rounds += 1
        units = self.plant.units(self.part, self.workers)
        reels = [self.plant.reel() for _ in self.feeds]
        for feed, reel in zip(self.feeds, reels, strict=True):
            self.plant.do(load_feed, self.rounds, feed=feed, container=reel)
        by_units = bool(self.rounds % 2)
        moving = threading.Semaphore(0)
        threads = [
            threading.Thread(target=self.work, args=(unit, (self.gated, self.loose)[n % 2], moving))
            for n, unit in enumerate(units)
        ]
        for thread in threads:
            thread.start()
        for _ in units:
            moving.acquire(timeout=20)
        seen = stop_and_look(targets=units if by_units else [reel.lot for reel in reels], units=units, plant=self.plant)
        for thread in threads:
            thread.join(30)
        moved = {(pk, outcome) for pk, outcome in rows_of(units) if pk not in self.stopped}
        if by_units:
            self.leaks += len(moved ^ seen)
        else:  # the hold of a lot lets a unit come out of the station that it is inside
            self.leaks += len({pk for pk, _ in moved} ^ {pk for pk, _ in seen})

    def work(self, unit: Unit, station: Station, moving: threading.Semaphore) -> None:
        try:
            for minute in range(self.rounds, self.rounds + 500):
                arguments = {"by": self.plant.ann, "at": moment(minute)}
                if station == self.gated:
                    start_pass(unit=unit, station=station, **arguments)
                    finish_pass(unit=unit, outcome=Pass.Outcome.FAILED, **arguments)
                else:
                    (entry,) = record_passes(units=[unit], station=station, outcome=Pass.Outcome.FAILED, **arguments)
                    if entry.stopped:
                        self.stopped.add(entry.pk)
                        return
                self.moves += 1
                moving.release()
                time.sleep(self.pause)
            raise AssertionError("nobody stopped this worker")
        except Refusal as refusal:
            if refusal.code not in ("held", "stopped"):
                self.errors.append(refusal)
        except BaseException as error:
            self.errors.append(error)
        finally:
            moving.release()
            connection.close()


def rows_of(units: list[Unit]) -> Rows:
    return set(Pass.objects.filter(unit__in=units).values_list("pk", "outcome"))


@pytest.fixture(autouse=True)
def _permitted(monkeypatch: pytest.MonkeyPatch) -> None:
    """An operation of the test's own."""
    monkeypatch.setitem(permissions.OPERATIONS, "stop", permissions.EVERYONE)


def stop_and_look(*, targets: list, units: list[Unit], plant: Plant) -> Rows:
    seen: Rows = set()

    @holding
    def stop(*, by, at) -> None:
        place_holds.__wrapped__(targets=targets, reason="suspect", by=by, at=at)
        seen.update(rows_of(units))

    stop(by=plant.ann, at=moment(1000))
    return seen


on_postgresql = pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's own; CI runs it there")


@on_postgresql
def test_no_pass_slips_past_a_hold() -> None:
    race = Race(workers=20)
    race.run(120, lambda: race.rounds >= 12)
    assert race.leaks == 0
    assert race.rounds >= 4 and race.moves > 20 * race.rounds


@on_postgresql
def test_a_gate_that_only_checks_leaks(monkeypatch) -> None:
    """Without its lock the same check lets passes through: so the lock is what the test above tests."""
    monkeypatch.setattr(gate, "_take", lambda function: None)
    race = Race(workers=20)
    race.run(60, lambda: race.leaks > 0)
    assert race.leaks > 0


@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="SQLite's own; CI runs it there")
def test_on_sqlite_writers_are_alone_from_their_first_statement() -> None:
    assert settings.DATABASES["default"]["OPTIONS"]["transaction_mode"] == "IMMEDIATE"
    race = Race(workers=4, pause=0.01)
    race.run(8, lambda: race.rounds >= 4)
    assert race.leaks == 0
    assert race.rounds >= 2 and race.moves >= 4


@on_postgresql
def test_the_lock_is_taken_before_anything_is_read() -> None:
    plant = Plant()
    (board,) = plant.boards()
    statements = []

    def listen(execute, sql, parameters, many, context):
        statements.append(sql)
        return execute(sql, parameters, many, context)

    for work, lock in (
        (lambda: plant.do(start_pass, 5, unit=board, station=plant.insertion), "pg_advisory_xact_lock_shared"),
        (lambda: plant.do(place_holds, 6, targets=[board], reason="x"), "pg_advisory_xact_lock"),
    ):
        statements.clear()
        with connection.execute_wrapper(listen):
            work()
        assert f"{lock}(" in statements[0]
        assert "transaction_isolation" in statements[0]


@on_postgresql
def test_another_isolation_level_is_a_bug() -> None:
    """Under REPEATABLE READ the check would read the holds as they were before the lock was waited for."""
    plant = Plant()
    (board,) = plant.boards()
    session = connection.connection
    session.isolation_level = IsolationLevel.REPEATABLE_READ
    try:
        with pytest.raises(RuntimeError, match="READ COMMITTED"):
            plant.do(start_pass, 5, unit=board, station=plant.insertion)
    finally:
        session.isolation_level = IsolationLevel.READ_COMMITTED
    assert not Pass.objects.exists()
