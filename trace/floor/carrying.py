"""What is in racks and panels, for operations that move single units."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db.models import F, QuerySet
from django.db.models.functions import Greatest

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.errors import NotFound, Refusal
from trace.engineering.models import Station
from trace.floor.models import Carried, Carrier, Pass, Unit
from trace.floor.queries import list_open_passes


class RackRefused(Refusal):
    """A rack or a panel can't be filled, emptied, parted or scanned as asked."""

    code = "rack-refused"
    action = "Scan the label of the rack and of the unit again."


PART_FIRST = "Part the panel with a record first."


def get_carrier(key: str) -> Carrier:
    """The rack or panel of a key, or NotFound."""
    carrier = Carrier.objects.select_related("part").filter(key=key).first()
    if carrier is None:
        raise NotFound(f"No rack and no panel has the key {key}.")
    return carrier


def lock_carrier(carrier: Carrier) -> Carrier:
    """The carrier, which nobody else fills, empties or scans meanwhile. Taken before the locks on units."""
    carrier = Carrier.objects.select_for_update(of=("self",)).select_related("part").get(pk=carrier.pk)
    if carrier.parted is not None:
        raise RackRefused(
            f"Panel {carrier.key} was parted on {from_ticks(carrier.parted):%Y-%m-%d %H:%M} UTC.",
            action="Scan its boards one by one.",
        )
    return carrier


def list_carried(carrier: Carrier) -> list[Carried]:
    """What stands in a carrier now, slot by slot."""
    standing = Carried.objects.filter(carrier=carrier, until=None, superseded=None)
    return list(standing.select_related("unit__part", "by").order_by("slot"))


def list_going(carrier: Carrier) -> list[Unit]:
    """What goes with a carrier, in the order of its slots: a board that was scrapped stays in its panel."""
    return [one.unit for one in list_carried(carrier) if not carrier.goes_as_one or one.unit.scrapped is None]


def find_inside_with(carrier: Carrier, station: Station | None = None) -> QuerySet[Pass]:
    """Passes of the units in a carrier that went into a station, or into this one, with it and are inside."""
    here = Carried.objects.filter(carrier=carrier, until=None, superseded=None)
    at = {"station": station} if station else {}
    return list_open_passes().filter(unit__in=here.values("unit"), rack=carrier.key, **at)


def leave_racks(units: Iterable[Unit], at: datetime) -> None:
    """These units were taken somewhere: whoever took them out of a rack need not say so. A panel holds its boards."""
    standing = Carried.objects.filter(unit__in=units, carrier__kind=Carrier.Kind.RACK, until=None, superseded=None)
    standing.update(until=Greatest(F("since"), to_ticks(at)), ended=to_ticks(now()))
