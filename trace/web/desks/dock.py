"""The desks where a pallet is stacked, and a shipment loaded and sent."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

from django.urls import reverse

from trace.core.clock import from_ticks
from trace.floor.models import Carton, Shipment
from trace.floor.operations.dispatch import (
    load_shipment,
    recall_shipment,
    send_shipment,
    unload_shipment,
)
from trace.floor.operations.pallets import stack_pallet, unstack_carton
from trace.floor.packing import (
    find_shipment_of,
    get_carton,
    get_pallet,
    list_stacked,
)
from trace.floor.shipments import list_cartons_on, list_packed
from trace.web.cells import Link
from trace.web.deeds import Ask, Deed
from trace.web.desks.base import REASON, Desk, NotTakenHere
from trace.web.dispatch import (
    count_words,
)
from trace.web.scan import Found, read_scan


class PalletDesk(Desk):
    """Where a pallet is stacked."""

    kind = "pallet"
    takes = "a closed carton"

    def cartons(self) -> list[Carton]:
        return self.stacked

    @cached_property
    def stacked(self) -> list[Carton]:
        return list_stacked(self.it)

    @cached_property
    def shipment(self) -> Shipment | None:
        return find_shipment_of(self.it)

    def scan(self, one: Found) -> str:
        if one.kind != "carton":
            return ""
        carton = get_carton(one.key)
        if carton in self.stacked:
            return self.address(done="there", of=carton.key)
        stack_pallet(pallet=self.it, cartons=[carton], **self.done)
        return self.address(done="stack_pallet", of=carton.key)

    def deeds(self) -> Sequence[Deed]:
        if self.shipment or not self.stacked:
            return []
        return [Deed(unstack_carton, "Take a carton off again", (Ask("carton", "Carton", "scan"), REASON), "It is off")]

    @property
    def state(self) -> str:
        return f"{count_words(len(self.stacked), 'carton')} on it." if self.stacked else "Nothing is on it."

    @property
    def next(self) -> str:
        if self.shipment:
            sent = "was sent" if self.shipment.departed is not None else "is"
            return f"It {sent} on shipment {self.shipment.key} to {self.shipment.customer.name}."
        return "Scan the next closed carton, or load the pallet." if self.stacked else "Scan a closed carton."

    ends = ""

    @property
    def links(self) -> list[Link]:
        return [Link("Print its label", reverse("pallet-label", args=[self.it.key]))]


class ShipmentDesk(Desk):
    """Where a shipment is loaded and sent."""

    kind = "shipment"
    takes = "a closed carton or a pallet"
    word = "SEND"

    def cartons(self) -> list[Carton]:
        return self.loaded

    @cached_property
    def loaded(self) -> list[Carton]:
        return list_cartons_on(self.it)

    def scan(self, one: Found) -> str:
        told = self.named(one.kind, one.key)
        if not told:
            return ""
        cartons = [*told["cartons"], *(box for pallet in told["pallets"] for box in list_stacked(pallet))]
        if cartons and all(box in self.loaded for box in cartons):
            return self.address(done="there", of=one.key)
        load_shipment(shipment=self.it.key, customer=self.it.customer, **told, **self.done)
        return self.address(done="load_shipment", of=one.key)

    def named(self, kind: str, key: str) -> dict[str, Any]:
        """A carton or a pallet as loading and unloading take it; nothing for anything else."""
        if kind == "carton":
            return {"cartons": [get_carton(key)], "pallets": []}
        return {"cartons": [], "pallets": [get_pallet(key)]} if kind == "pallet" else {}

    def finish(self) -> str:
        send_shipment(shipment=self.it, **self.done)
        return self.address(done="send_shipment")

    def given(self, verb: str) -> dict[str, Any]:
        if verb == "recall_shipment":
            return {"shipment": self.it}
        text = self.sent.get("cartons", "")
        found = [one for one in read_scan(text).found if one.kind in ("carton", "pallet")]
        if not found:
            raise NotTakenHere(f"{text} is no carton and no pallet.", action="Scan the label of what comes off.")
        return {"shipment": self.it, **self.named(found[0].kind, found[0].key)}

    def deeds(self) -> Sequence[Deed]:
        if not self.loaded:
            return []
        if self.it.departed is not None:
            note = "Nothing of it left: its cartons are still here, and go on another shipment."
            return [Deed(recall_shipment, "It never departed", (REASON,), "Recall it", note=note)]
        asks = (Ask("cartons", "Carton or pallet", "scan"), REASON)
        return [Deed(unload_shipment, "Unload something again", asks, "It is off")]

    @property
    def state(self) -> str:
        packed = list_packed(self.loaded)
        stacked = {line.carton: line.pallet for line in packed if line.pallet}
        some = "" if len(stacked) == len(self.loaded) else f"{len(stacked)} of them "
        on = f", {some}on {count_words(len({*stacked.values()}), 'pallet')}" if stacked else ""
        units = count_words(sum(len(line.serials) for line in packed), "unit")
        said = f"{count_words(len(self.loaded), 'carton')} with {units}{on}"
        return f"{said if self.loaded else 'Nothing is on it'}, for {self.it.customer.name}."

    @property
    def next(self) -> str:
        if self.it.recalled:
            return "It was recorded as sent and recalled: it never departed. Load its cartons on another shipment."
        if self.it.departed is not None:
            return f"It was sent on {from_ticks(self.it.departed):%Y-%m-%d %H:%M} UTC."
        return "Scan the next carton or pallet, or send it." if self.loaded else "Scan a closed carton or a pallet."

    @property
    def ends(self) -> str:
        return "Send the shipment" if self.loaded and self.it.departed is None else ""

    @property
    def links(self) -> list[Link]:
        return [
            Link("Packing list, PDF", reverse("packing-list", args=[self.it.key])),
            Link("Packing list, CSV", reverse("packing-list-csv", args=[self.it.key])),
        ]
