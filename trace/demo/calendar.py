"""The demo's calendar: half-day slots of working days, so that every moment in it can be stated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Dublin")
MONDAY = datetime(2026, 10, 5, tzinfo=ZONE)
FIRST_DAY = 2
"""Slot 0 is the morning of this day of that week: Wednesday, 7 October 2026."""
SLOTS_PER_RACK = 2
"""Every so many slots another rack of boards begins."""
UNTIL = datetime(2026, 11, 20, 9, 30, tzinfo=ZONE)
"""Where the story stops: Friday, 20 November 2026, half past nine, in slot 64."""
PREPARED = datetime(2026, 9, 21, 8, 0, tzinfo=ZONE)
"""When the plant's master data were entered."""


@dataclass(frozen=True)
class Act:
    """Something done in the plant: an operation with all but its time."""

    at: datetime
    do: Callable[[datetime], object]


def moment(slot: int, minute: float = 0) -> datetime:
    """The moment so many minutes into a slot: even ones begin at 07:00, odd ones at 12:00."""
    weeks, day = divmod(slot // 2 + FIRST_DAY, 5)
    return MONDAY + timedelta(weeks=weeks, days=day, hours=12 if slot % 2 else 7, minutes=minute)
