"""A clock for tests that ask what was known when: each time it is read it has gone on a little."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

import pytest

from trace.core import clock as core_clock
from trace.core.clock import to_ticks

START = datetime(2100, 1, 1, tzinfo=UTC)


class Clock:
    """Stands in for `datetime` where `clock.now` reads it; `last` is the latest moment it gave (microseconds)."""

    def __init__(self) -> None:
        self.moment = START

    def now(self, zone: tzinfo) -> datetime:
        self.moment += timedelta(milliseconds=1)
        return self.moment

    @property
    def last(self) -> int:
        return to_ticks(self.moment)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    running = Clock()
    monkeypatch.setattr(core_clock, "datetime", running)
    monkeypatch.setattr(core_clock, "_latest", START - timedelta(days=1))
    return running
