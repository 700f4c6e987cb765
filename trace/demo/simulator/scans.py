"""When a unit can have drawn, by what the scans of its stations prove. Part of the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trace.core.clock import OPEN
from trace.demo.simulator.layout import SECOND, STATIONS, WORK_SECONDS
from trace.engineering.models import ScanMode

WORK = WORK_SECONDS * SECOND


@dataclass
class Visit:
    """A unit at a station, by its scans."""

    unit: str
    station: str
    scanned_in: int | None
    scanned_out: int | None = None
    position: tuple[int, int] | None = None
    outcome: str = ""
    drew: str | None = None
    only: list[str] | None = None
    sure: bool = True
    void: bool = False
    tape: str = ""


def ranges(visit: Visit, visits: Sequence[Visit], elsewhere: Sequence[int]) -> tuple[int, int]:
    """When a unit can have drawn in one visit: by its scans there, by those of other visits, and by the moments at
    which the unit was scanned at no station."""
    mode = STATIONS[visit.station]
    scan = visit.scanned_in if visit.scanned_in is not None else visit.scanned_out
    assert scan is not None
    others = [other for other in visits if other is not visit and not other.void]
    own = [at for v in others if v.unit == visit.unit and v.station != visit.station for at in _scans(v)]
    own += elsewhere
    before = max((at for at in own if at <= scan), default=scan)
    if mode == ScanMode.LOOSE:
        left = visit.scanned_out or scan
        return before, min((at for at in own if at >= left and at > before), default=OPEN) if visit.outcome else OPEN
    began, ended = visit.scanned_in, visit.scanned_out
    if mode == ScanMode.ONE_AT_A_TIME:
        here = sorted({at for v in (*others, visit) if v.station == visit.station for at in _scans(v)})
        start, end = _batch(here, scan)
        if began is None or start < scan or (ended is not None and ended - began < WORK):
            began = max((at for at in here if at < start), default=before)
        if ended is not None:
            ended = _batch(here, ended)[1]
        elif visit.outcome:
            ended = min((at for at in here if at > end), default=None)
    return before if began is None else began, OPEN if ended is None else ended


def _batch(scans: list[int], scan: int) -> tuple[int, int]:
    """The first and the last of the scans that follow each other faster than the work, this one among them."""
    first = last = scan
    for at in reversed([at for at in scans if at < scan]):
        if first - at >= WORK:
            break
        first = at
    for at in (at for at in scans if at > scan):
        if at - last >= WORK:
            break
        last = at
    return first, last


def _scans(visit: Visit) -> list[int]:
    return [at for at in (visit.scanned_in, visit.scanned_out) if at is not None]
