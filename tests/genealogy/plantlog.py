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
class Run:
    """A set-up: which feed fills which designator, over positions `first..end - 1`."""

    first: int
    end: int
    serves: dict[str, str]


@dataclass
class Visit:
    """A unit at a station; it draws under the set-ups of `place`, the station or a tape, or nothing."""

    unit: str
    station: str
    step: int
    place: str | None
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
    runs: dict[str, list[Run]] = field(default_factory=dict)
    visits: list[Visit] = field(default_factory=list)
    seen: dict[str, list[int]] = field(default_factory=dict)
    fits: dict[tuple[str, str], list[Fit]] = field(default_factory=dict)

    def fit(self, unit: str, designator: str, what: tuple, moment: int, error: int = 0) -> None:
        """It ends what was there, by the time at which it may have happened at the latest."""
        there = self.fits.setdefault((unit, designator), [])
        if there:
            there[-1].until = min(there[-1].until, max(moment + error, there[-1].since + there[-1].error))
        there.append(Fit(what, moment, error=error))

    def change_over(self, place: str, position: int, serves: dict[str, str]) -> None:
        """From a position on this is served; the first set-up of a place reaches back to its beginning."""
        runs = self.runs.setdefault(place, [])
        if runs:
            runs[-1].end = position
        runs.append(Run(position if runs else 0, OPEN, serves))

    def positions_of(self, visit: Visit) -> tuple[int, int]:
        return self.range_of(visit) if visit.position is None else visit.position

    def draws_of(self, visit: Visit) -> Iterator[tuple[str, list[tuple[str, int, int]], bool]]:
        """Per designator that a visit may have filled: from which feed, between which positions; and whether surely.

        A range that reaches across a changeover leaves open from which side of it the part came.
        """
        if visit.void or visit.drew == "none" or visit.place is None:
            return
        first, last = self.positions_of(visit)
        met = []
        for run in self.runs[visit.place]:
            end = run.end - 1 if run.end < OPEN else OPEN
            if max(first, run.first) <= min(last, end):
                met.append((run.serves, max(first, run.first), min(last, end)))
        surely = visit.drew == "all" and self.range_of(visit)[1] < OPEN
        for designator in sorted({name for serves, _, _ in met for name in serves}):
            if visit.only is None or designator in visit.only:
                pieces = [(serves[designator], a, b) for serves, a, b in met if designator in serves]
                yield designator, pieces, surely and len(pieces) == len(met)

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
