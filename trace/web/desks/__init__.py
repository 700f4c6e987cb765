"""The desks where a carton is packed, a pallet stacked, a shipment loaded: what a scan does there, and what is next."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from trace.floor.packing import get_carton, get_pallet, get_shipment
from trace.web.desks.base import Desk
from trace.web.desks.carton import CartonDesk
from trace.web.desks.dock import PalletDesk, ShipmentDesk

OPENS: Mapping[str, Callable[[str], Desk]] = {
    "carton": lambda key: CartonDesk(get_carton(key)),
    "pallet": lambda key: PalletDesk(get_pallet(key)),
    "shipment": lambda key: ShipmentDesk(get_shipment(key)),
}
"""By kind: the desk of the thing of a key."""
