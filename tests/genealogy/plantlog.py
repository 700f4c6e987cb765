"""What was done in a plant, in words that need no database. Part of the oracle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from tests.genealogy.feedlog import OPEN, FeedLog

CHILDREN = {("M", "M1"): "B", ("P", "N1"): "M", ("P", "M2"): "B"}
"""Which kind of unit (the first letter of its serial) belongs at a designator of which."""


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
        """How often it had been filled, for each content that it had somewhere between two moments. What was made
        here was not there before it was first filled."""
        starts = [0, *(moment for moment, _, _ in self.fills), OPEN + 1]
        made_within = not self.own and bool(self.fills) and self.fills[0][0] <= last
        for k in range(int(made_within), len(starts) - 1):
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
    """What a scan put into a designator, or found there: ("box", key), ("feed", key), ("child", key), ("nothing",) or
    ("unknown",), a child that nobody knows. Found, it may have been there since `earliest`; found gone, it surely was
    there no longer than to `doubted`."""

    what: tuple
    since: int
    until: int = OPEN
    error: int = 0
    earliest: int | None = None
    doubted: int | None = None

    @property
    def first(self) -> int:
        return self.since - self.error if self.earliest is None else self.earliest

    @property
    def surely(self) -> bool:
        """Whether it was there at any moment; else it only may have been."""
        return self.what[0] != "unknown" or self.until > self.since


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
    loose: dict[str, list[int]] = field(default_factory=dict)
    packed: dict[str, int] = field(default_factory=dict)
    scrapped: dict[str, int] = field(default_factory=dict)

    def fit(self, unit: str, designator: str, what: tuple, moment: int, error: int = 0) -> None:
        """It ends what was there, by the time at which it may have happened at the latest."""
        there = self.fits.setdefault((unit, designator), [])
        if there:
            there[-1].until = min(there[-1].until, max(moment + error, there[-1].since + there[-1].error))
        there.append(Fit(what, moment, error=error))

    def unfit(self, unit: str, designator: str) -> tuple:
        """What was fitted or removed last never was: the place holds what it held before, and no scan was made. What
        it was."""
        there = self.fits[unit, designator]
        gone = there.pop()
        if there:
            there[-1].until = OPEN
        else:
            del self.fits[unit, designator]
        if gone.what[0] == "child":
            self.seen[gone.what[1]].remove(gone.since)
        return gone.what

    # Children found elsewhere than recorded ----------------------------------------------------------------------

    def find_child(self, place: tuple[str, str], child: str, moment: int) -> None:
        """A child was scanned in a place: what was there before is gone, since it was seen last."""
        self.seen.setdefault(child, []).append(moment)
        there = self.fits.get(place, [])
        if there and there[-1].what == ("child", child):
            self.fit(*place, ("child", child), moment)
            return
        self._leave_home(child, moment)
        known = max(min(last, moment) for _, last, _ in self.sightings(child, exact=True))
        since = self._empty(place, moment)
        self.fits[place].append(Fit(("child", child), moment, earliest=max(known, since)))

    def find_empty(self, place: tuple[str, str], moment: int) -> None:
        since = self._empty(place, moment)
        self.fits[place].append(Fit(("nothing",), moment, earliest=since))

    def find_loose(self, child: str, moment: int) -> None:
        self.seen.setdefault(child, []).append(moment)
        self._leave_home(child, moment)
        self.loose.setdefault(child, []).append(moment)

    def _leave_home(self, child: str, moment: int) -> None:
        for there in self.fits.values():
            if there[-1].what == ("child", child):
                there[-1].until, there[-1].doubted = moment, there[-1].since
                there.append(Fit(("unknown",), moment, earliest=there[-1].since))

    def _empty(self, place: tuple[str, str], moment: int) -> int:
        """Ends what was in a place, and says since when something else may have been there."""
        there = self.fits.setdefault(place, [])
        if there and there[-1].what[0] == "unknown":
            there[-1].until = moment
            return there[-1].first
        since = there[-1].since - there[-1].error if there else self.created[place[0]]
        if there:
            there[-1].until, there[-1].doubted = moment, there[-1].since
        if since < moment:
            there.append(Fit(("unknown",), moment, until=moment, earliest=since))
        return since

    def sightings(self, unit: str, exact: bool = False) -> Iterator[tuple[int, int, tuple[str, str] | None]]:
        """(first, last, place or None) of all that is surely known of where a unit was; `exact`: taking the time of a
        scan for what it says."""
        yield 0, self.created[unit], None
        for visit in self.visits:
            if visit.unit == unit and not visit.void:
                told = [moment for moment in (visit.scanned_in, visit.scanned_out) if moment is not None]
                error = 0 if exact else max(visit.error, visit.error_out or 0)
                first, last = told[0] + error, OPEN if not visit.outcome else told[-1] - error
                if first <= last:
                    yield first, last, None
        for place, there in self.fits.items():
            for fit in there:
                if fit.what == ("child", unit):
                    yield fit.since, fit.until if fit.doubted is None else fit.doubted, place
        if unit in self.packed:
            yield self.packed[unit], OPEN, None
        yield from ((moment, moment, None) for moment in self.loose.get(unit, []))

    def may_be_there(self, place: tuple[str, str], fit: Fit, unit: str) -> list[tuple[int, int]]:
        """Stretches of time in which a unit may be the child in a place that nobody knows."""
        proofs = [*self.sightings(unit), *([(self.scrapped[unit], OPEN, None)] if unit in self.scrapped else [])]
        elsewhere = [(first, last) for first, last, where in proofs if where != place]
        if fit.surely:
            if any(first <= fit.since <= last for first, last in elsewhere):
                return []
            came = [last for _, last in elsewhere if last < fit.since]
            left = [first for first, _ in elsewhere if first > fit.since]
            return [(max([fit.first, *came]), min([fit.until, *left]))]
        cuts = {m for first, last in elsewhere for m in (first, last + 1) if fit.first < m < fit.until}
        borders = sorted({fit.first, fit.until, *cuts})
        return [
            (start, end)
            for start, end in pairwise(borders)
            if not any(first <= start <= last for first, last in elsewhere)
        ]

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
