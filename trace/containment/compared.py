"""What changed between two reckonings of a population."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from trace.containment.holding import list_to_hold
from trace.containment.models import Containment, Snapshot
from trace.containment.population import find_latest, reckon
from trace.core.clock import now_ticks
from trace.core.sql import fetch
from trace.genealogy.forward import Carrier
from trace.genealogy.rules import Sureness
from trace.holds.queries import Subject


class Change(StrEnum):
    """What can have become of a unit from one snapshot to another; a unit may have moved and be judged anew."""

    NEW = "new"
    GONE = "gone"
    MOVED = "moved"
    SURENESS = "sureness"


class Changed(NamedTuple):
    """A unit that changed: how sure it was, in which kind of place, and the station, carton or shipment there; and the
    same as it is. None in all three where it was not in that snapshot."""

    what: str
    unit: int
    key: str
    sureness_was: str | None
    place_was: str | None
    key_was: str | None
    sureness_now: str | None
    place_now: str | None
    key_now: str | None


COUNTS = "SELECT what, count(*) FROM change GROUP BY what"
ROWS = """
SELECT change.what, unit.id, unit.key, sureness_was, place_was, key_was, sureness_now, place_now, key_now
FROM change JOIN trace_unit unit ON unit.id = change.unit_id
WHERE change.what = %(what)s AND unit.key > %(after)s
ORDER BY unit.key
LIMIT %(most)s
"""


def compare_snapshots(one: Snapshot, other: Snapshot) -> dict[Change, int]:
    """How many units changed from one snapshot to another, in each way."""
    counts = dict(fetch(__file__, "changes", {"wanted": COUNTS}, one=one.pk, other=other.pk))
    return {change: counts.get(change.value, 0) for change in Change}


def list_changes(one: Snapshot, other: Snapshot, what: Change, *, after: str = "", most: int = 1_000) -> list[Changed]:
    """The units that changed in one way, in the order of their serials, those after a serial."""
    told = {"one": one.pk, "other": other.pk, "what": what.value, "after": after, "most": most}
    return [Changed(*row) for row in fetch(__file__, "changes", {"wanted": ROWS}, **told)]


@dataclass(frozen=True)
class News:
    """How the population as it is now differs from the latest snapshot (None: there is none): carriers that are new,
    that are judged otherwise, that have moved; serials of those that are gone. `unheld` is what a stop would hold."""

    snapshot: Snapshot | None
    new: list[Carrier]
    judged: list[Carrier]
    moved: list[Carrier]
    gone: list[str]
    unheld: list[Subject]

    def __bool__(self) -> bool:
        return bool(self.new or self.judged or self.moved or self.gone or self.unheld)


def list_news(containment: Containment) -> News:
    """Reckon the population, and hold it against the latest snapshot. What carried it once, and was in no snapshot, is
    no news."""
    population = reckon(containment)
    snapshot = find_latest(containment)
    before = _read(snapshot) if snapshot else {}
    new, judged, moved = [], [], []
    for carrier in population.carriers:
        where = carrier.where
        was = before.pop(carrier.key, None)
        if was is None:
            if carrier.sureness != Sureness.CLEARED:
                new.append(carrier)
            continue
        if was[0] != carrier.sureness.value:
            judged.append(carrier)
        if was[1:] != (carrier.top, where.kind.value, where.key, where.carton, where.shipment):
            moved.append(carrier)
    unheld = list_to_hold(containment, population, now_ticks())
    return News(snapshot, new, judged, moved, sorted(before), sorted(unheld))


def _read(snapshot: Snapshot) -> dict[str, tuple[str, ...]]:
    """{serial: sureness, outermost unit, place} of a snapshot's units."""
    columns = ("unit__key", "sureness", "top", "place", "place_key", "carton", "shipment")
    return {key: tuple(rest) for key, *rest in snapshot.carriers.values_list(*columns).iterator()}
