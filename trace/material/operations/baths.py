"""What is measured of baths, and between what limits."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.ledger.operation import note, operation
from trace.material.models import BathLimit, BathReading, Feed
from trace.material.operations.stock import MOST


class BathRefused(Refusal):
    """A limit or a reading of a bath can't be as entered."""

    code = "bath-refused"
    action = "Check the bath’s label and the entry."


@operation()
def set_bath_limit(
    *,
    feed: Feed,
    name: str,
    unit: str,
    low: Decimal | None = None,
    high: Decimal | None = None,
    by: Person,
    at: datetime,
) -> BathLimit:
    """Say what is measured of a bath, in which unit, and between what it must be. Readings keep the limits of
    their day. Refuses with BathRefused."""
    name, unit = clean_text(name, 60, "The name"), clean_text(unit, 20, "The unit")
    if feed.kind != Feed.Kind.BATH:
        raise BathRefused(f"{feed.key} is not a bath.")
    if not name or not unit:
        raise BathRefused("Say what is measured, and in which unit.", action="Such as copper in % by mass.")
    for number in (low, high):
        if number is not None:
            _check(number)
    if low is not None and high is not None and low > high:
        raise BathRefused("The lower limit lies above the upper.")
    limit, _ = BathLimit.objects.update_or_create(
        feed=feed, name=name, defaults={"unit": unit, "low": low, "high": high}
    )
    note(feed)
    return limit


@operation()
def record_bath_reading(*, feed: Feed, name: str, value: Decimal, by: Person, at: datetime) -> BathReading:
    """Something of a bath was measured. What is outside its limits is recorded too, and says so. Refuses with
    BathRefused what is not measured of this bath."""
    name = clean_text(name, 60, "The name")
    limit = BathLimit.objects.filter(feed=feed, name=name).first()
    if limit is None:
        known = ", ".join(BathLimit.objects.filter(feed=feed).values_list("name", flat=True))
        raise BathRefused(
            f"{name or 'That'} is not measured of {feed.key}.",
            action=f"Measured of it: {known}." if known else "A planner says first what is measured of it.",
        )
    _check(value)
    reading = BathReading.objects.create(
        feed=feed, name=name, value=value, unit=limit.unit, low=limit.low, high=limit.high, at=to_ticks(at), by=by,
        recorded=to_ticks(now()),
    )  # fmt: skip
    note(feed, **({"outside": True} if reading.outside else {}))
    return reading


def _check(value: Decimal) -> None:
    if not Decimal(value).is_finite() or abs(value) >= MOST or value != round(value, 4):
        raise BathRefused(f"Nobody can measure {value}.")
