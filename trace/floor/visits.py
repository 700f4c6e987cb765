"""What is on record of where units have been: their passes, read once for all that is asked of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from trace.core.sql import fetch
from trace.engineering.models import Station
from trace.floor.models import Pass, Unit
from trace.material.models import SetUp


class Visit(NamedTuple):
    """One pass of a unit: ids of its step and station, what it came to, its scans and bounds.

    `refilling`: it may have filled a place that is served again now.
    """

    step: int
    station: int
    outcome: str
    drew: str
    scanned_in: int | None
    scanned_out: int | None
    error: int
    began: int
    ended: int
    refilling: bool


def list_visits(units: Iterable[Unit], setups: Iterable[SetUp] = ()) -> dict[int, list[Visit]]:
    """Per unit its passes. `setups` are those that serve it now."""
    visits: dict[int, list[Visit]] = defaultdict(list)
    rows = fetch(__file__, "visits", units=[unit.pk for unit in units], setups=[setup.pk for setup in setups])
    for unit, *visit in rows:
        visits[unit].append(Visit(*visit))
    return visits


def scan_elsewhere(unit: Unit, visits: Iterable[Visit], station: Station, scan: int) -> int:
    """The earliest moment of a unit's last scan at another station that surely came before `scan`, or
    when it was made."""
    scans = [
        moment - visit.error
        for visit in visits
        if visit.station != station.pk and visit.outcome != Pass.Outcome.VOID and visit.began <= scan
        for moment in (visit.scanned_in, visit.scanned_out)
        if moment is not None and moment <= scan - visit.error
    ]
    return max(min(unit.created, scan), 0, *scans)
