"""The labels of cartons and pallets."""

from __future__ import annotations

from django.utils import timezone

from trace.core.clock import from_ticks
from trace.core.keys import code_of, label_text
from trace.floor.models import Carton, Pallet
from trace.floor.packing import find_closings, find_loads, list_stacked, list_units_in, read_filling
from trace.floor.shipments import list_packed
from trace.labels.label import Label


def make_carton_label(carton: Carton) -> Label:
    """What goes on a carton: what is in it and how many, when it was closed in the plant's time, for whom it is once it
    is loaded; that it is open, where it is."""
    filling = read_filling(list_units_in(carton))
    closing, load = find_closings([carton]).get(carton.pk), find_loads([carton]).get(carton.pk)
    counted = sum(line.quantity for line in list_packed([carton]) if not line.serials)
    closed = f"Closed {timezone.localtime(from_ticks(closing.since)):%Y-%m-%d %H:%M}" if closing else ""
    lines = (
        *(f"{number} × {part.number} {part.revision}".strip() for part, number in filling.counts.items()),
        *([] if filling.counts else ["Empty"]),
        f"and {counted} counted in" if counted else "",
        closed or "OPEN: not to be loaded",
        f"For {load.shipment.customer.name}" if load else "",
        filling.product.name if filling.product else "",
    )
    return Label(code_of("carton", carton.key), label_text(carton.key), tuple(filter(None, lines)))


def make_pallet_label(pallet: Pallet) -> Label:
    """What goes on a pallet: how many cartons, and the units in them, part by part; for whom, once it is loaded."""
    cartons = list_stacked(pallet)
    counts: dict[str, int] = {}
    for line in list_packed(cartons):
        if line.serials:
            name = f"{line.part.number} {line.part.revision}".strip()
            counts[name] = counts.get(name, 0) + line.quantity
    loads = find_loads(cartons)
    customer = next((load.shipment.customer.name for load in loads.values()), "")
    lines = (
        f"{len(cartons)} carton{'s' * (len(cartons) != 1)}" if cartons else "Empty",
        *(f"{number} × {name}" for name, number in counts.items()),
        f"For {customer}" if customer else "",
    )
    return Label(code_of("pallet", pallet.key), label_text(pallet.key), tuple(filter(None, lines)))
