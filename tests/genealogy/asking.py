"""Asking the genealogy in tests, with answers as sets of keys; and short words for small plants."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from tests.factories import Plant, moment
from trace.core.clock import OPEN, to_ticks
from trace.floor.models import Unit
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.genealogy.backward import AsBuilt, Origin, trace_backward
from trace.genealogy.forward import Population, trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Container, Lot

Answer = tuple[set[str], set[str], set[str]]
"""Keys of the certain, the possible and the cleared."""

NONE: set[str] = set()


def suspect(*keys: str) -> Suspicion:
    """Suspicion of lots and containers by key."""
    lots = Lot.objects.filter(key__in=keys)
    containers = Container.objects.filter(key__in=keys)
    assert len(lots) + len(containers) == len(keys), keys
    return Suspicion.of(lots=lots, containers=containers)


def ask(*keys: str, minute: float | None = None) -> Answer:
    """Who carries these lots or containers, now or so many minutes after START."""
    return split(trace_forward(suspect(*keys), OPEN if minute is None else to_ticks(moment(minute))))


def split(population: Population) -> Answer:
    """A population as keys by sureness."""
    certain, possible, cleared = (
        {carrier.key for carrier in population.of(sureness)}
        for sureness in (Sureness.CERTAIN, Sureness.POSSIBLE, Sureness.CLEARED)
    )
    return certain, possible, cleared


def reasons(key: str, *suspects: str) -> tuple[str, ...]:
    """Why a unit is only possible."""
    (carrier,) = (c for c in trace_forward(suspect(*suspects)).carriers if c.key == key)
    return carrier.reasons


def lots_of(unit: Unit, *, standing: bool = True, at: datetime | None = None) -> dict[str, set[str | None]]:
    """Per designator the first lots (None: unknown) of what rules there, or of all that ever was there."""
    built = trace_backward(unit, OPEN if at is None else to_ticks(at))
    return lots_in(built, standing=standing)


def lots_in(built: AsBuilt, *, standing: bool = True) -> dict[str, set[str | None]]:
    """The same of a unit that was traced."""
    return {
        place.designator: {lot for entry in entries for origin in entry.origins for lot in first_lots(origin)}
        | {None for entry in entries if entry.kind == "unknown"}
        for place in built.places
        if (entries := [e for e in place.entries if e.standing or not standing])
    }


def first_lots(origin: Origin) -> Iterator[str | None]:
    """Keys of the lots at the bottom of an origin."""
    return (first.lot for first in origin.first_lots())


def load(plant: Plant, key: str, minute: float, **details: Any) -> Container:
    """A reel of resistors of a lot of its own, loaded at a minute."""
    reel = plant.reel(key, lot=details.pop("lot", ""))
    plant.do(load_feed, minute, feed=plant.slot_r, container=reel, **details)
    return reel


def board_at(plant: Plant, begin: float, end: float, **details: Any) -> Unit:
    """A board that was inside insertion from a minute to another, and then tested."""
    (board,) = plant.boards()
    plant.run(board, plant.insertion, begin, end, **details)
    if details.get("outcome", "passed") == "passed":
        plant.run(board, plant.test, end + 0.01, end + 0.02)
    return board


def fit(plant: Plant, parent: Unit, child: Unit, minute: float) -> None:
    plant.do(fit_child, minute, unit=parent, designator="M1", child=child)
