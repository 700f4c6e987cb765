"""Where each unit is, or was at a moment."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
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
    RETURNED = "returned"
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
    """A unit's place: `kind`, the key of the station, carton, shipment, return or parent unit, the customer
    it was shipped to or returned by, since when (microseconds), the last step it passed (0 once it is packed). What is
    packed has its `carton`, and the `pallet` and `shipment` that this is on, if any; `customer` is that of the
    shipment, or who returned it.

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
    pallet: str = ""
    shipment: str = ""
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
                return ("shipped to", customer, "on", Named("shipment", self.key), *self._packed("in"))
            case Place.PACKED:
                customer = Named("customer", self.customer, self.customer_name)
                loaded = ("on shipment", Named("shipment", self.shipment), "to", customer) if self.shipment else ()
                return (*self._packed("packed in"), *loaded)
            case Place.AT_STATION:
                return ("at", Named("station", self.key))
            case Place.RETURNED:
                customer = Named("customer", self.customer, self.customer_name)
                return ("returned by", customer, "in", Named("return", self.key))
            case Place.FITTED:
                return ("fitted in", Named("unit", self.key))
            case Place.UNKNOWN:
                return ("not known: on record in", Named("unit", self.key), "and not found there")
            case Place.WAITING if self.key:
                return (f"{self.group}, last seen at", Named("station", self.key))
        return (self.group,)

    def _packed(self, how: str) -> tuple[str | Named, ...]:
        stacked = ("on pallet", Named("pallet", self.pallet)) if self.pallet else ()
        return (f"{how} carton", Named("carton", self.carton), *stacked)

    def __str__(self) -> str:
        return " ".join(map(str, self.pieces))


def find_whereabouts(units: Collection[int], at: int) -> dict[int, Whereabouts]:
    """Where each of these units is at a moment. Three queries, whatever their number."""
    found = _find_packed(units, at)
    others = [unit for unit in units if unit not in found]
    for (
        unit, scrapped, parent, parent_since, inside, inside_since, last_step, last_station, last_seen,
        finished, begun, missed, missed_since, back, back_since, customer, customer_name,
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
        elif back is not None:
            found[unit] = Whereabouts(Place.RETURNED, back, customer, customer_name, since=back_since, step=step)
        else:
            kind = Place.FINISHED if last_step is not None and finished else Place.WAITING
            found[unit] = Whereabouts(kind, last_station or "", since=last_seen or 0, step=step, begun=bool(begun))
    return found


def _find_packed(units: Collection[int], at: int) -> dict[int, Whereabouts]:
    """Those of these units that are packed, or shipped so: what was shipped in one carton is in one place."""
    packed = fetch("packed", units=sorted(units), at=at)
    cartons = sorted({carton for _, carton, _ in packed})
    found: dict[int, Whereabouts] = {}
    for pk, key, pallet, shipment, customer, name, departed in (
        fetch("cartons", cartons=cartons, at=at) if packed else ()
    ):
        gone = departed is not None
        found[pk] = Whereabouts(
            Place.SHIPPED if gone else Place.PACKED,
            shipment if gone else key,
            customer or "",
            name or "",
            departed or 0,
            carton=key,
            pallet=pallet or "",
            shipment=shipment or "",
        )
    return {
        unit: found[carton] if found[carton].kind == Place.SHIPPED else replace(found[carton], since=since)
        for unit, carton, since in packed
    }
