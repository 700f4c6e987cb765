"""Process facts as a suspicion: whatever passed a station in a window of time, whatever it drew there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from trace.core.clock import OPEN
from trace.genealogy.reading import fetch
from trace.genealogy.rules import NOTHING, REASONS_BY_NUMBER, Finding, Reason, Sureness
from trace.genealogy.suspicion import Window


class Visit(NamedTuple):
    """A pass as it was scanned: somewhere in `began..ended` on the clock; the scans known within `error`."""

    unit: int
    began: int
    ended: int
    scanned_in: int | None
    scanned_out: int | None
    inside: bool
    error: int


def find_passed(windows: Iterable[Window], at: int = OPEN) -> dict[int, Finding]:
    """{unit: what is to be said of it}: certain, where it surely was at the station in a window, up to a moment;
    possible, where its scans leave it open."""
    found: dict[int, Finding] = {}
    for window in (one._replace(until=min(one.until, at + 1)) for one in windows if one.since <= at):
        for row in fetch("passed", **window._asdict()):
            visit = Visit(*row)
            sureness, reason = _CERTAIN if _surely(visit, window) else _POSSIBLE
            finding = Finding(sureness, reason, visit.began)
            found[visit.unit] = found.get(visit.unit, NOTHING).join(finding)
    return found


_CERTAIN = Sureness.CERTAIN, REASONS_BY_NUMBER[0]
_POSSIBLE = Sureness.POSSIBLE, REASONS_BY_NUMBER[Reason.BLURRED]


def _surely(visit: Visit, window: Window) -> bool:
    """Its whole range lies in the window, or it was inside between two scans that reach into it; of one scan, where
    that lies in it."""
    if window.since <= visit.began and visit.ended < window.until:
        return True
    came = visit.scanned_out if visit.scanned_in is None else visit.scanned_in
    left = came if visit.scanned_out is None else visit.scanned_out
    if came is None or left is None:
        return False
    return came + visit.error < window.until and (visit.inside or left - visit.error >= window.since)
