"""Time as the plant's clock axes use it: whole microseconds since 1970-01-01 UTC."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta
from typing import NewType

from trace.core.errors import Kind, Refusal

OPEN = 2**53 - 1
"""The end of what has not ended yet: the largest whole number every client can hold exactly."""

DAY = 86_400_000_000
"""Microseconds."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


Planned = NewType("Planned", datetime)
"""A moment that somebody set, past or to come, such as the end of a qualification: no clock told it."""

Ticks = NewType("Ticks", int)
"""A moment that somebody named, in microseconds."""

EXACT = timedelta(0)
"""The error of a moment that the plant's own clock tells."""

WORST = timedelta(days=366)


class BadError(Refusal):
    """The error of a moment can't be: a moment is known within nothing, or some length of time."""

    code = "bad-error"
    kind = Kind.UNREADABLE
    action = "Enter within how many minutes the time is known."


_TOLD: ContextVar[datetime | None] = ContextVar("told", default=None)


_latest = _EPOCH
_SET_BACK = timedelta(minutes=1)
"""A clock that goes back by more was wrong before, and is followed."""


def now() -> datetime:
    """The present moment in UTC. Operations and commands call it; rules are told the time.

    What one process asks later is later, though the machine's clock is set back a little meanwhile, as those who keep
    it right do: otherwise a correction could have been recorded before what it corrects.
    """
    global _latest
    if told := _TOLD.get():
        return told
    moment = datetime.now(UTC)
    if timedelta(0) <= _latest - moment < _SET_BACK:
        moment = _latest + _MICROSECOND
    _latest = moment
    return moment


@contextmanager
def telling(moment: datetime) -> Iterator[None]:
    """In an invented plant the story tells the time: inside, it is this moment, and things are recorded then."""
    token = _TOLD.set(moment.astimezone(UTC))
    try:
        yield
    finally:
        _TOLD.reset(token)


def now_ticks() -> int:
    """The present moment in microseconds: when something is recorded."""
    return to_ticks(now())


def to_ticks(moment: datetime) -> int:
    """Microseconds since the epoch. A moment without a zone is a programming error: ValueError."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment!r} has no time zone")
    return (moment - _EPOCH) // _MICROSECOND


def from_ticks(ticks: int) -> datetime:
    """The moment of a clock position; the reverse of `to_ticks`."""
    return _EPOCH + ticks * _MICROSECOND


def last_before(end: int) -> int:
    """The last position before an end; what is open stays open."""
    return end if end == OPEN else end - 1


def to_error(error: timedelta) -> int:
    """An operation's `error` in microseconds: the moment is known within it, either way. It is that of
    paper or another clock; what a device's clock was found to be off is taken off the moment before.
    Refuses with BadError what is negative or longer than a year."""
    if not EXACT <= error <= WORST:
        raise BadError(f"A moment can't be known within {error}.")
    return error // _MICROSECOND
