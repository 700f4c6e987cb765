"""Whence a request comes: the stations to which its device or token is bound, and what its clock is off.

Set once for each request, and asked by the operation decorator and by what reads moments: pages and the API pass both.
Of a page the server's clock tells the moments: only to the API does a device tell what its own shows, and with a scan
that it kept while the server was away (`web/kept.py`), whose moment is put right before any operation hears of it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Model

from trace.core.clock import EXACT
from trace.core.errors import Kind, Refusal


class NotHere(Refusal):
    """The device or token is bound to stations, and this is at another."""

    code = "not-here"
    kind = Kind.FORBIDDEN
    action = "Record it at a device of that station, or sign in with a password."


class BadClock(Refusal):
    """The device's clock can't be read, or is off by more than can be put right."""

    code = "bad-clock"
    kind = Kind.UNREADABLE
    action = "Set the clock of the device, and send it again."


@dataclass(frozen=True)
class Source:
    """`stations`: the keys of those at which may be recorded, None for anywhere; `name` says whose they are.
    `device_time`: what the device's clock showed when it sent, as it was told; `arrived`: when that came.
    `noted`: what every event of the request notes of how it came."""

    name: str = ""
    stations: frozenset[str] | None = None
    device_time: str = ""
    arrived: datetime | None = None
    noted: Mapping[str, Any] = field(default_factory=dict)


ANYWHERE = Source()

_SOURCE: ContextVar[Source] = ContextVar("source", default=ANYWHERE)

AT: Mapping[str, tuple[str, ...]] = {
    "station": (),
    "axis": ("stands_at",),
    "feed": ("axis", "stands_at"),
    "setup": ("axis", "stands_at"),
    "feedrecord": ("feed", "axis", "stands_at"),
    "tape": ("stands_at",),
    "pass": ("station",),
    "equipment": ("station",),
}
"""What is at a station, by kind: how the station is reached from it. A tape is at none once its building has ended."""

WORST = timedelta(days=1)
"""What a device's clock may be off."""


@contextmanager
def coming_from(source: Source) -> Iterator[None]:
    """Inside, a request of this source is answered."""
    token = _SOURCE.set(source)
    try:
        yield
    finally:
        _SOURCE.reset(token)


@contextmanager
def by_our_clock() -> Iterator[None]:
    """Inside, the moments are those of the server's clock, whatever a device's shows."""
    with coming_from(replace(_SOURCE.get(), device_time="")):
        yield


def bind(name: str, stations: Iterable[str]) -> None:
    """For the rest of the request: only what is at these stations may be recorded."""
    _SOURCE.set(replace(_SOURCE.get(), name=name, stations=frozenset(stations)))


def note_source(**facts: Any) -> None:
    """For the rest of the request: its events note how it came."""
    source = _SOURCE.get()
    _SOURCE.set(replace(source, noted={**source.noted, **facts}))


def check_here(records: Iterable[Model]) -> None:
    """Refuse with NotHere where one of the records is at a station to which the source is not bound."""
    check_stations(filter(None, map(_station_of, records)))


def check_stations(keys: Iterable[str]) -> None:
    """Refuse with NotHere where one of these is a station to which the source is not bound."""
    source = _SOURCE.get()
    if source.stations is None:
        return
    for key in keys:
        if key not in source.stations:
            those = " and ".join(sorted(source.stations))
            raise NotHere(f"This is at {key}, and {source.name} is for {those}.", station=key)


def _station_of(record: Model) -> str | None:
    """The key of the station at which a thing is; None where it is at none."""
    if (kind := record._meta.model_name or "") not in AT:
        return None
    found: Any = record
    for name in AT[kind]:
        found = getattr(found, name) if found is not None else None
    return found.key if found is not None else None


def clock_off() -> timedelta:
    """By how much the device's clock is ahead of ours, less what the request was on its way; nothing where the request
    does not tell. Refuses with BadClock what is no moment, and more than a day."""
    source = _SOURCE.get()
    return measure_clock(source.device_time, source.arrived) if source.device_time and source.arrived else EXACT


def measure_clock(shown: str, arrived: datetime) -> timedelta:
    """By how much a clock that showed this when it sent is ahead of ours. Refuses with BadClock."""
    try:
        off = datetime.fromisoformat(shown) - arrived
    except (ValueError, TypeError, OverflowError):
        raise BadClock(
            f"“{shown[:40]}” is no moment with an offset.",
            action="Send Device-Time as RFC 3339 has it, such as 2026-03-02T14:30:05.250Z.",
        ) from None
    if not -WORST <= off <= WORST:
        fast = "ahead" if off > EXACT else "behind"
        raise BadClock(f"The device’s clock is {abs(off).days} days or more {fast}.")
    return off


def true_moment(told: datetime) -> datetime:
    """A moment that a device's clock told, as ours would have. Refuses with BadClock."""
    return told - clock_off()


def true_moments(arguments: dict[str, Any], clocked: Collection[str]) -> dict[str, Any]:
    """An operation's arguments, the `clocked` ones as our clock would have told them. Refuses with BadClock."""
    if not clock_off():
        return arguments
    right = {name: true_moment(arguments[name]) for name in clocked if arguments.get(name) is not None}
    return {**arguments, **right}


def source_facts() -> dict[str, Any]:
    """What an event notes of how its request came, and of the device's clock where the request told."""
    return {**_SOURCE.get().noted, **clock_facts(clock_off())}


def clock_facts(off: timedelta) -> dict[str, Any]:
    """What a clock is off, as events note it: nothing where it is right."""
    return {"device_clock_ahead" if off > EXACT else "device_clock_behind": abs(off)} if off else {}
