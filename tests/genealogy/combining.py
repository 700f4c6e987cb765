"""Suspicions combined, from the log alone: set algebra on what the oracle says of each; networkx for what is in what.

Work at a station and named units are suspected beside lots and boxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import networkx as nx

from tests.genealogy.feedlog import OPEN
from tests.genealogy.oracle import Answer, Oracle
from tests.genealogy.plantlog import CHILDREN, Visit

ORDER = ("certain", "possible", "cleared")
Stretches = list[tuple[int, int]]


@dataclass(frozen=True)
class Asked:
    """What one suspicion names: lots, boxes, (station, since, until), units."""

    lots: frozenset[str] = frozenset()
    boxes: frozenset[str] = frozenset()
    windows: frozenset[tuple[str, int, int]] = frozenset()
    units: frozenset[str] = frozenset()


class Narrowed(Answer):
    """One suspicion, less what is excepted."""

    def __init__(self, oracle: Oracle, asked: Asked, spared: set[str], exempt: Exempt | None) -> None:
        super().__init__(oracle, set(asked.lots), set(asked.boxes), spared)
        self.asked, self.exempt = asked, exempt

    def own(self, unit: str) -> tuple[set[str], Stretches]:
        found, carried = super().own(unit)
        for visit in self.log.visits:
            for station, since, until in self.asked.windows:
                if visit.unit == unit and visit.station == station and not visit.void:
                    began, ended = self.log.range_of(visit)
                    if began < until and ended >= since:
                        found.add("certain" if surely_there(visit, began, ended, since, until) else "possible")
                        carried.append((began, OPEN))
        if unit in self.asked.units:
            found.add("certain")
            carried.append((self.log.created[unit], OPEN))
        how = self.exempt and self.exempt.how(unit)
        if how == "certain":
            return set(), []
        if how == "possible":
            found = {"cleared" if word == "cleared" else "possible" for word in found}
        return found, carried

    def status(self, unit: str) -> tuple[str | None, Stretches]:
        if self.exempt and self.exempt.itself.get(unit) == "certain":
            return None, []
        return super().status(unit)

    @cached_property
    def result(self) -> dict[str, str]:
        found = {}
        for unit in self.log.created:
            status = self.status(unit)[0]
            how = self.exempt.how(unit) if self.exempt else None
            if status and how != "certain":
                found[unit] = "possible" if how and status != "cleared" else status
        return found


def surely_there(visit: Visit, began: int, ended: int, since: int, until: int) -> bool:
    """Its whole range lies in the window, or two scans between which it was inside reach into it."""
    if since <= began and ended < until:
        return True
    error = max(visit.error, visit.error_out or 0)
    scans = [moment for moment in (visit.scanned_in, visit.scanned_out) if moment is not None]
    inside = not visit.outcome
    return min(scans) + error < until and (inside or max(scans) - error >= since)


class Exempt:
    """Units that are excepted themselves, and so what is in them."""

    def __init__(self, oracle: Oracle, excepted: list[Asked], homes: Homes) -> None:
        self.homes = homes
        self.itself: dict[str, str] = {}
        for asked in excepted:
            answer = Narrowed(oracle, asked, set(), None)
            for unit in oracle.log.created:
                words = answer.own(unit)[0] - {"cleared"}
                if words and self.itself.get(unit) != "certain":
                    self.itself[unit] = min(words)  # certain comes first

    def how(self, unit: str) -> str | None:
        if any(self.itself.get(one) == "certain" for one in {unit} | self.homes.surely(unit)):
            return "certain"
        return "possible" if any(one in self.itself for one in {unit} | self.homes.perhaps(unit)) else None


class Homes:
    """What each unit is in now."""

    def __init__(self, oracle: Oracle) -> None:
        self.sure, self.every = nx.DiGraph(), nx.DiGraph()
        self.sure.add_nodes_from(oracle.log.created)
        self.every.add_nodes_from(oracle.log.created)
        for place, fits in oracle.log.fits.items():
            for fit in fits:
                if fit.what[0] == "child" and fit.until == OPEN:
                    self.sure.add_edge(fit.what[1], place[0])
                    self.every.add_edge(fit.what[1], place[0])
                if fit.what[0] == "unknown":
                    for unit in oracle.log.created:
                        fits_there = unit[0] == CHILDREN[place[0][0], place[1]]
                        if fits_there and any(
                            b > a and b == OPEN for a, b in oracle.log.may_be_there(place, fit, unit)
                        ):
                            self.every.add_edge(unit, place[0])

    def surely(self, unit: str) -> set[str]:
        return nx.descendants(self.sure, unit)

    def perhaps(self, unit: str) -> set[str]:
        return nx.descendants(self.every, unit)


def combine(
    oracle: Oracle, homes: Homes, required: list[Asked], excepted: list[Asked]
) -> tuple[set[str], set[str], set[str]]:
    """(certain, possible, cleared) of what meets all that is required, less what is excepted."""
    suspects = {
        node[1]
        for asked in required
        for node in Answer(oracle, set(asked.lots), set(asked.boxes)).reached
        if node[0] == "box"
    }
    spared: set[str] = set()
    others = []
    for asked in excepted:
        answer = Answer(oracle, set(asked.lots), set(asked.boxes))
        named = answer.named | {k for k, box in oracle.log.boxes.items() if box.own and box.lot in asked.lots}
        if named & suspects:
            spared |= named
        else:
            others.append(asked)
    exempt = Exempt(oracle, others, homes)
    results = [Narrowed(oracle, asked, spared, exempt).result for asked in required]
    met: dict[str, list[str | None]] = {}
    for unit in set().union(*results):
        met[unit] = [
            result.get(unit) or _within(result, unit, homes) if len(results) > 1 else result[unit] for result in results
        ]
    worst = {unit: max(words, key=ORDER.index) for unit, words in met.items() if all(words)}
    certain, possible, cleared = ({unit for unit, word in worst.items() if word == wanted} for wanted in ORDER)
    return certain, possible, cleared


def _within(result: dict[str, str], unit: str, homes: Homes) -> str | None:
    if any(result.get(one) == "certain" for one in homes.surely(unit)):
        return "certain"
    if any(result.get(one) in ("certain", "possible") for one in homes.perhaps(unit)):
        return "possible"
    return None
