"""Where each unit is, or was at a moment."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from trace.genealogy.reading import fetch


class Place(StrEnum):
    """The kinds of places where a unit can be; every unit is in one of them at every moment."""

    WAITING = "waiting"
    AT_STATION = "at station"
    FINISHED = "finished"
    PACKED = "packed"
    SHIPPED = "shipped"
    SCRAPPED = "scrapped"
    FITTED = "fitted"
    UNKNOWN = "not known"


class Named(NamedTuple):
    """A thing in a sentence: its kind and key, and its name where it has one beside the key."""

    kind: str
    key: str
    name: str = ""

    def __str__(self) -> str:
        return self.name or self.key


@dataclass(frozen=True)
class Whereabouts:
    """A unit's place: `kind`, the key of the station, carton, shipment or parent unit, the customer
    it was shipped to, since when (microseconds), the last step it passed (0 once it is packed).

    A waiting unit has `begun` when it was in a pass, perhaps, or something was fitted in it; `key` is
    the station that scanned it last, none where no scan is on record.
    """

    kind: Place
    key: str = ""
    customer: str = ""
    customer_name: str = ""
    since: int = 0
    step: int = 0
    carton: str = ""
    begun: bool = False

    @property
    def group(self) -> str:
        """The place in words, as places are counted: one for each station and each kind of place."""
        match self.kind:
            case Place.AT_STATION:
                return f"at {self.key}"
            case Place.FITTED:
                return "fitted in another unit"
            case Place.WAITING if self.step:
                return f"waiting after step {self.step}"
            case Place.WAITING:
                return "begun, no step passed yet" if self.begun else "not started"
        return str(self.kind)

    @property
    def pieces(self) -> tuple[str | Named, ...]:
        """The place in words, with the things in it."""
        match self.kind:
            case Place.SHIPPED:
                customer = Named("customer", self.customer, self.customer_name)
                return ("shipped to", customer, "on", Named("shipment", self.key))
            case Place.PACKED:
                return ("packed in", Named("carton", self.key))
            case Place.AT_STATION:
                return ("at", Named("station", self.key))
            case Place.FITTED:
                return ("fitted in", Named("unit", self.key))
            case Place.UNKNOWN:
                return ("not known: on record in", Named("unit", self.key), "and not found there")
            case Place.WAITING if self.key:
                return (f"{self.group}, last seen at", Named("station", self.key))
        return (self.group,)

    def __str__(self) -> str:
        return " ".join(map(str, self.pieces))


def find_whereabouts(units: Collection[int], at: int) -> dict[int, Whereabouts]:
    """Where each of these units is at a moment. Three queries, whatever their number."""
    found = _find_packed(units, at)
    others = [unit for unit in units if unit not in found]
    for (
        unit, scrapped, parent, parent_since, inside, inside_since, last_step, last_station, last_seen,
        finished, begun, missed, missed_since,
    ) in fetch("whereabouts", units=others, at=at) if others else ():  # fmt: skip
        step = last_step or 0
        if scrapped is not None:
            found[unit] = Whereabouts(Place.SCRAPPED, since=scrapped, step=step)
        elif parent is not None:
            found[unit] = Whereabouts(Place.FITTED, parent, since=parent_since, step=step)
        elif missed is not None:
            found[unit] = Whereabouts(Place.UNKNOWN, missed, since=missed_since, step=step)
        elif inside is not None:
            found[unit] = Whereabouts(Place.AT_STATION, inside, since=inside_since, step=step)
        else:
            kind = Place.FINISHED if last_step is not None and finished else Place.WAITING
            found[unit] = Whereabouts(kind, last_station or "", since=last_seen or 0, step=step, begun=bool(begun))
    return found


def _find_packed(units: Collection[int], at: int) -> dict[int, Whereabouts]:
    """Those of these units that are packed, or shipped so: what was shipped in one carton is in one place."""
    packed = fetch("packed", units=sorted(units), at=at)
    keys: dict[int, str] = {}
    shipped: dict[int, Whereabouts] = {}
    cartons = sorted({carton for _, carton, _ in packed})
    for pk, key, shipment, customer, name, departed in fetch("cartons", cartons=cartons, at=at) if packed else ():
        keys[pk] = key
        if shipment is not None:
            shipped[pk] = Whereabouts(Place.SHIPPED, shipment, customer, name, departed, carton=key)
    return {
        unit: shipped.get(carton) or Whereabouts(Place.PACKED, keys[carton], since=since)
        for unit, carton, since in packed
    }
