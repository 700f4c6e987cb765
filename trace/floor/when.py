"""Where on a feed's axis something happened, by what somebody said of it. For use inside operations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from trace.core.clock import EXACT, OPEN, to_error, to_ticks
from trace.core.errors import Refusal
from trace.floor.sheets import clean_sheet, next_line, place
from trace.material.models import Axis, Feed

Position = tuple[int, int]


@dataclass(frozen=True)
class Told:
    """What somebody said of when and where it happened."""

    at: datetime
    error: timedelta = EXACT
    sheet: str = ""
    position: Position | None = None


@dataclass(frozen=True)
class When:
    """Where on a feed's axis something happened, `first..last`, and when, known within `error`."""

    first: int
    last: int
    happened: int
    error: int = 0
    sheet: str = ""


class FeedRefused(Refusal):
    """A container can't be put on, or taken off, as asked."""

    code = "feed-refused"
    action = "Check the feed's label and the container's, and scan again."


def find_when(feed: Feed, told: Told) -> When:
    """The place on its axis; refuses with FeedRefused, SheetRefused, BadError what can't be."""
    moment, error = to_ticks(told.at), to_error(told.error)
    sheet = clean_sheet(told.sheet, feed.axis)
    if feed.axis.kind != Axis.Kind.CLOCK and told.position is None:
        raise FeedRefused(
            f"{feed.key} gives by {feed.axis.get_kind_display()}, and none was given.",
            action="Enter the board set or the cycle count at which it was done.",
        )
    first, last = told.position or (moment, moment)
    if not 0 <= first <= last < OPEN:
        raise FeedRefused("The position runs backwards or lies outside the axis.")
    if feed.axis.kind != Axis.Kind.CLOCK:
        return When(first, last, moment, error)
    line = None
    if sheet:
        if told.position is not None:
            raise FeedRefused("A line of a sheet has one time.", action="Enter the time written there, and its error.")
        moment, _ = next_line(feed.axis, sheet, moment)
        first, last = line = moment, moment
    return When(
        *place(feed.axis, max(first - error, 0), last + error, sheet=sheet, line=line, error=error),
        moment,
        error,
        sheet,
    )
