"""Where on its station's axis a pass or a change stands, when its moment is known within an error.

Something at `p`, known within `e`, stands at `p - e .. p + e`. Lines of one paper sheet, written in order,
would overlap so; their order is sure all the same. So a line stands exactly where it was written, the
lines of a sheet one after the other, as long as nothing off the sheet may have come in between: then
only the order counts on the axis, and it is right. What comes later, off the sheet and so near a line that
either may have been first, reaches across that line's place: between those two the order stays open.
`Axis.slack` remembers by how much a place may differ from its moment. For use inside operations.
"""

from __future__ import annotations

from typing import Any

from django.db.models import Max, Q

from trace.core.clock import OPEN
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.floor.models import Fitting, Pass
from trace.material.models import Axis, AxisSlack, FeedRecord, SetUp

SAME = 1_000
"""Microseconds that tell lines written under one time apart: at most so many of them."""

Range = tuple[int, int]


class SheetRefused(Refusal):
    """A line is not the next of its paper sheet."""

    code = "sheet-refused"
    action = "Enter the lines in the order in which they were written, or leave the sheet out."


def clean_sheet(sheet: str, axis: Axis | None) -> str:
    """The sheet's name; empty where it gives no order, because positions are no moments there."""
    name = clean_text(sheet, 40, "The sheet")
    return name if axis and axis.kind == Axis.Kind.CLOCK else ""


def next_line(axis: Axis, sheet: str, moment: int) -> tuple[int, int]:
    """(moment of the next line of a sheet, moment of the line before it or 0).

    Lines written under one minute follow each other by a microsecond. Refuses with SheetRefused a
    line that was written before the last one entered.
    """
    axis.slack = Axis.objects.select_for_update(no_key=True).get(pk=axis.pk).slack
    records = _lines(axis).filter(sheet=sheet)
    passes = Pass.objects.filter(axis=axis, sheet=sheet, superseded=None)
    before = max(
        records.aggregate(last=Max("happened"))["last"] or 0, passes.aggregate(last=Max("scanned_out"))["last"] or 0
    )
    if moment + SAME < before:
        raise SheetRefused(f"Sheet {sheet} goes on after that moment.")
    return max(moment, before + 1), before


def place(axis: Axis, began: int, ended: int, *, sheet: str = "", line: Range | None = None, error: int = 0) -> Range:
    """Where something stands on a station's axis that happened at some moment of `began..ended`.

    `line` is its place by the order of its `sheet`, written with an `error`.
    """
    if not sheet and not axis.slack:
        return began, ended
    slack = max(axis.slack, error + SAME)
    if line and not _is_off_sheet_near(axis, line[0] - slack, line[1] + slack, sheet):
        if slack > axis.slack:
            axis.slack = slack
            axis.save(update_fields=["slack"])  # the row is locked since the line was asked for
            AxisSlack.objects.create(axis=axis, slack=slack)
        return line
    for first, last in _lines_near(axis, began - slack, ended + slack, sheet):
        began, ended = max(min(began, first - 1), 0), min(max(ended, last + 1), OPEN)
    return began, ended


def _lines_near(axis: Axis, first: int, last: int, sheet: str) -> list[Range]:
    """The places of the lines of other sheets that reach into a range."""
    return [
        line
        for rows in (_lines(axis), _passes(axis))
        for line in rows.filter(first__lte=last, last__gte=first)
        .exclude(sheet__in=["", sheet])
        .values_list("first", "last")
    ]


def _is_off_sheet_near(axis: Axis, first: int, last: int, sheet: str) -> bool:
    """Whether anything that is not on the sheet begins or ends in a range."""
    edge = Q(first__range=(first, last)) | Q(last__range=(first, last))
    return (
        _records(axis).filter(edge).exclude(sheet=sheet).exists()
        or _passes(axis).filter(edge).exclude(sheet=sheet).exists()
        or Fitting.objects.filter(edge, feed__axis=axis, superseded=None).exists()
        or SetUp.objects.filter(Q(first__range=(first, last)) | Q(end__range=(first, last)), axis=axis).exists()
    )


def _records(axis: Axis) -> Any:
    return FeedRecord.objects.filter(feed__axis=axis, superseded=None)


def _lines(axis: Axis) -> Any:
    """What was written down; that a container had left by the time a line found another is no line itself."""
    return _records(axis).exclude(act=FeedRecord.Act.SEEN_AWAY)


def _passes(axis: Axis) -> Any:
    return Pass.objects.filter(axis=axis, superseded=None).exclude(outcome=Pass.Outcome.VOID)
