"""What was done in a plant, in words that need no database. Part of the oracle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.genealogy.feedlog import OPEN, FeedLog


@dataclass
class Box:
    """A container; `fills` are (earliest moment, source, latest moment) in the order of the first: ("box", key),
    ("place", unit, designator), or ("feed", key, number of the act that took it off)."""

    part: str
    lot: str
    own: bool
    received: int
    gone: int | None = None
    fills: list[tuple[int, tuple, int]] = field(default_factory=list)

    def fill(self, source: tuple, moment: int, error: int = 0) -> None:
        self.fills.append((moment - error, source, moment + error))
        self.fills.sort(key=lambda fill: fill[0])

    def epochs(self, first: int, last: int) -> Iterator[int]:
        """How often it had been filled, for each content that it had somewhere between two moments."""
        starts = [0, *(moment for moment, _, _ in self.fills), OPEN + 1]
        for k in range(len(starts) - 1):
            if starts[k] <= last and starts[k + 1] > first:
                yield k

    def epoch(self, moment: int) -> int:
        return max(self.epochs(moment, moment))


@dataclass
class Visit:
    """A unit at a station; `serves` says which feed fills which designator there."""

    unit: str
    station: str
    step: int
    serves: dict[str, str]
    scanned_in: int | None = None
    scanned_out: int | None = None
    position: tuple[int, int] | None = None
    drew: str = "all"
    only: tuple[str, ...] | None = None
    outcome: str = ""
    void: bool = False
    error: int = 0
    """Within how much its scans are known; `error_out` that of the scan out, where it is another."""
    error_out: int | None = None

    def designators(self) -> list[str]:
        return [d for d in self.serves if self.only is None or d in self.only]


@dataclass
class Fit:
    """What a scan put into a designator: ("box", key), ("feed", key), ("child", key) or ("nothing",)."""

    what: tuple
    since: int
    until: int = OPEN
    error: int = 0


@dataclass
class Log:
    """Everything that was done in a plant, in words that need no database."""

    boxes: dict[str, Box] = field(default_factory=dict)
    plant_lots: set[str] = field(default_factory=set)
    feeds: dict[str, FeedLog] = field(default_factory=dict)
    modes: dict[str, str] = field(default_factory=dict)
    created: dict[str, int] = field(default_factory=dict)
    visits: list[Visit] = field(default_factory=list)
    seen: dict[str, list[int]] = field(default_factory=dict)
    fits: dict[tuple[str, str], list[Fit]] = field(default_factory=dict)

    def fit(self, unit: str, designator: str, what: tuple, moment: int, error: int = 0) -> None:
        """It ends what was there, by the time at which it may have happened at the latest."""
        there = self.fits.setdefault((unit, designator), [])
        if there:
            there[-1].until = min(there[-1].until, max(moment + error, there[-1].since + there[-1].error))
        there.append(Fit(what, moment, error=error))

    def range_of(self, visit: Visit) -> tuple[int, int]:
        """When the unit can have drawn, by what the station's scans prove.

        A scan known within an error bounds what surely came before or after it, by its latest or earliest moment.
        """
        mode, came, left, e = self.modes[visit.station], visit.scanned_in, visit.scanned_out, visit.error
        scan = came if came is not None else left
        assert scan is not None
        others = [v for v in self.visits if v is not visit and not v.void]
        own = [m for v in others if v.unit == visit.unit and v.station != visit.station for m in _scans(v)]
        here = [m for v in others if v.station == visit.station for m in _scans(v)]
        made = self.created[visit.unit]
        before = max((first for first, last in [*own, (made, made)] if last <= scan - e), default=scan - e)
        if mode == "loose":
            seen = [(m, m) for m in self.seen.get(visit.unit, [])]
            after = [last for first, last in [*own, *seen] if first >= (left or scan) + e]
            return before, min(after, default=OPEN) if visit.outcome else OPEN
        if mode == "one at a time" and came is None:
            before = max((first for first, last in here if last <= scan - e and first < scan), default=before)
        began = before if came is None else came - e
        if left is not None:
            return began, left + (e if visit.error_out is None else visit.error_out)
        if mode == "one at a time" and visit.outcome:
            return began, min((last for first, last in here if first >= scan + e and last > scan), default=OPEN)
        return began, OPEN


def _scans(visit: Visit) -> list[tuple[int, int]]:
    """(earliest, latest) moment of each scan."""
    told = [moment for moment in (visit.scanned_in, visit.scanned_out) if moment is not None]
    return [(moment - visit.error, moment + visit.error) for moment in told]
