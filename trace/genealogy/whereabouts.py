"""Where each unit is, or was at a moment."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

from trace.genealogy.places import fetch


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


@dataclass(frozen=True)
class Whereabouts:
    """A unit's place in words: `kind`, the key of the station, carton, shipment or parent unit, the
    customer it was shipped to, since when (microseconds), the last step it passed."""

    kind: Place
    key: str = ""
    customer: str = ""
    customer_name: str = ""
    since: int = 0
    step: int = 0
    carton: str = ""

    def __str__(self) -> str:
        match self.kind:
            case Place.SHIPPED:
                return f"shipped to {self.customer_name} on {self.key}"
            case Place.PACKED:
                return f"packed in {self.key}"
            case Place.AT_STATION:
                return f"at {self.key}"
            case Place.FITTED:
                return f"fitted in {self.key}"
            case Place.UNKNOWN:
                return f"not known: on record in {self.key}, and not found there"
            case Place.WAITING if self.step:
                return f"waiting after step {self.step}, last seen at {self.key}"
            case Place.WAITING:
                return "not started"
        return str(self.kind)


def find_whereabouts(units: Collection[int], at: int) -> dict[int, Whereabouts]:
    """Where each of these units is at a moment. One query, whatever their number."""
    found = {}
    for (
        unit, scrapped, parent, parent_since, shipment, customer, customer_name, departed, carton, packed,
        inside, inside_since, last_step, last_station, last_seen, finished, missed, missed_since,
    ) in fetch("whereabouts", units=json.dumps(sorted(units)), at=at):  # fmt: skip
        step = last_step or 0
        if scrapped is not None:
            found[unit] = Whereabouts(Place.SCRAPPED, since=scrapped, step=step)
        elif parent is not None:
            found[unit] = Whereabouts(Place.FITTED, parent, since=parent_since, step=step)
        elif missed is not None:
            found[unit] = Whereabouts(Place.UNKNOWN, missed, since=missed_since, step=step)
        elif shipment is not None:
            found[unit] = Whereabouts(Place.SHIPPED, shipment, customer, customer_name, departed, step, carton)
        elif carton is not None:
            found[unit] = Whereabouts(Place.PACKED, carton, since=packed, step=step)
        elif inside is not None:
            found[unit] = Whereabouts(Place.AT_STATION, inside, since=inside_since, step=step)
        elif last_step is not None and finished:
            found[unit] = Whereabouts(Place.FINISHED, last_station, since=last_seen, step=step)
        else:
            found[unit] = Whereabouts(Place.WAITING, last_station or "", since=last_seen or 0, step=step)
    return found
