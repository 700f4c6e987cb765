"""A moment to look back to, as people type it: one rule for pages and commands."""

from __future__ import annotations

from datetime import datetime, tzinfo

from trace.core.clock import OPEN, from_ticks, now, to_ticks
from trace.core.errors import Kind, Refusal


class BadMoment(Refusal):
    """The date and time asked for can't be read, or nothing can be known of it yet."""

    code = "bad-moment"
    kind = Kind.UNREADABLE
    action = (
        "Give year, month, day, hour and minute in the plant's time, such as 2026-03-02T14:30, "
        "or with an offset such as +01:00."
    )


def read_moment(text: str, zone: tzinfo) -> int:
    """Microseconds of a typed date and time, in `zone` where it names no offset; OPEN (now) for no text.

    Refuses with BadMoment what is no date and time or lies outside the record. What is still to come
    is refused, not read as now: an answer headed by a day that has not come would look like a forecast.
    """
    text = text.strip()
    if not text:
        return OPEN
    try:
        moment = datetime.fromisoformat(text)
        ticks = to_ticks(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        raise BadMoment(f"“{text[:40]}” is no date and time.") from None
    if not moment.tzinfo and from_ticks(ticks).astimezone(zone).replace(tzinfo=None) != moment:
        raise BadMoment(f"“{text[:40]}” never was: the clocks were put forward then.")
    if ticks < 0:
        raise BadMoment(f"“{text[:40]}” lies outside the record.")
    if ticks > to_ticks(now()):
        raise BadMoment(
            f"“{text[:40]}” is still to come: nothing is known of it.",
            action="Give an earlier moment, or none for how it is now.",
        )
    return ticks
