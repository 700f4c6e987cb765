"""The desk where a carton is packed and closed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from trace.core.keys import read_label
from trace.engineering.models import Part
from trace.floor.models import Carton, Unit
from trace.floor.operations.cartons import PackedContent, close_carton, open_carton
from trace.floor.operations.dispatch import (
    pack_units,
    unpack_unit,
)
from trace.floor.packing import (
    DispatchRefused,
    Filling,
    Wanted,
    find_closings,
    list_units_in,
    read_filling,
)
from trace.material.models import Container
from trace.web.cells import Link
from trace.web.deeds import Ask, Deed
from trace.web.desks.base import REASON, Desk, NotTakenHere
from trace.web.dispatch import (
    count_words,
    say_where,
    units_in_table,
)
from trace.web.scan import Found
from trace.web.tables import Table

COUNTED = re.compile(r"([A-Z0-9-]{1,40})\.([0-9]{1,4})")
"""How an address tells what was counted in: the key of the part, and how many."""


@dataclass(frozen=True)
class Counted:
    """A part that belongs in a carton, and how many of it are counted in."""

    wanted: Wanted
    number: int

    @property
    def there(self) -> bool:
        return self.number == self.wanted.quantity


class CartonDesk(Desk):
    """Where a carton is packed and closed."""

    kind = "carton"
    takes = "a unit, or the label of what goes in with it"
    word = "CLOSE"

    def read(self, request: HttpRequest) -> None:
        super().read(request)
        found = (COUNTED.fullmatch(text) for text in request.GET.getlist("in"))
        self.ticked = {one[1]: int(one[2]) for one in found if one}

    def kept(self) -> list[tuple[str, str]]:
        return [("in", f"{key}.{number}") for key, number in self.ticked.items() if number]

    @cached_property
    def filling(self) -> Filling:
        return read_filling(list_units_in(self.it))

    @cached_property
    def closing(self) -> Any:
        return find_closings([self.it]).get(self.it.pk)

    @cached_property
    def contents(self) -> list[Counted]:
        """What belongs in it beside the units, and what is counted in: while it is open here, then as it was closed."""
        told = dict(self.closing.contents) if self.closing else self.ticked
        return [
            Counted(one, told.get(one.part.key, 0) if one.packed is None else one.packed) for one in self.filling.wanted
        ]

    def cartons(self) -> list[Carton]:
        return [self.it]

    def scan(self, one: Found) -> str:
        if one.kind == "unit":
            unit = Unit.objects.get(key=one.key)
            if self.it.packings.filter(unit=unit, until=None).exists():
                return self.address(done="there", of=unit.key)
            pack_units(carton=self.it.key, units=[unit], **self.done)
            return self.address(done="pack_units", of=unit.key)
        if one.kind == "part":
            return self.count(one.key, 1)
        if one.kind == "container":
            return self.count(Container.objects.get(key=one.key).part.key, 1)
        return ""

    def take(self, text: str) -> str:
        word, _, rest = text.partition(" ")
        if word.upper() in ("ALL", "NONE") and rest:
            return self.count(read_label(rest), 0, all_or_none=word.upper())
        return super().take(text)

    def count(self, key: str, more: int, all_or_none: str = "") -> str:
        """Something that has no serial is counted in: one more, all that belong there, or none."""
        if self.closing:
            raise DispatchRefused(f"Carton {self.it.key} is closed.", action="Open it with a record first.")
        wanted = {one.part.key: one for one in self.filling.wanted if one.packed is None}
        if key not in wanted:
            part = Part.objects.filter(key=key).first()
            name = f"{key}, {part.name}," if part else key
            goes = f"in with {self.filling.product.key}" if self.filling.product else "into an empty carton"
            raise NotTakenHere(f"{name} does not go {goes}.", action="Put it back; the list says what belongs in.")
        number = self.ticked.get(key, 0) + more
        if number > wanted[key].quantity:
            raise NotTakenHere(f"All {wanted[key].quantity} of {key} are counted in.", action="Put this one back.")
        self.ticked[key] = {"ALL": wanted[key].quantity, "NONE": 0}.get(all_or_none, number)
        return self.address(done="counted" if self.ticked[key] else "uncounted", of=key)

    def finish(self) -> str:
        parts = {part.key: part for part in Part.objects.filter(key__in=self.ticked)}
        contents = [PackedContent(parts[key], number) for key, number in self.ticked.items() if key in parts]
        close_carton(carton=self.it, contents=contents, short=self.sent.get("short", ""), **self.done)
        self.ticked = {}
        return self.address(done="close_carton")

    def given(self, verb: str) -> dict[str, Any]:
        return {"carton": self.it} if verb == "open_carton" else {}

    def deeds(self) -> Sequence[Deed]:
        if self.closing:
            note = "It can be opened until it is on a pallet or a shipment; the record keeps who did, and why."
            return [] if say_where(self.it) else [Deed(open_carton, "Open it again", (REASON,), "Open it", note=note)]
        asks = (Ask("unit", "Unit", "scan"), REASON)
        return [Deed(unpack_unit, "Take a unit out again", asks, "It is out")] if self.filling.units else []

    def tables(self, held: set[str]) -> list[Table]:
        return [units_in_table(self.it, held)]

    @property
    def state(self) -> str:
        filling = self.filling
        if not filling.units:
            return "It is empty."
        if filling.product is None:
            return f"{count_words(len(filling.units), 'unit')} that no packing rule puts together."
        name = f"{filling.product.key} {filling.product.name}"
        most = f" of {filling.most}" if filling.most is not None else ""
        return f"{filling.packed}{most} × {name}."

    @property
    def next(self) -> str:
        if self.closing:
            return say_where(self.it) or "It is closed: print its label; then stack it on a pallet, or load it."
        if not self.filling.units:
            return "Scan the first unit."
        if self.filling.most is None:
            return "Scan the next unit, or close it."
        if not self.filling.full:
            return "Scan the next unit."
        return "It is full: close it." if self.counted_in else "It is full: count in the rest, then close it."

    @property
    def counted_in(self) -> bool:
        return all(one.there for one in self.contents)

    @property
    def asks_why(self) -> bool:
        """Whether closing it now asks why it is not full."""
        return self.filling.most is not None and not self.filling.full

    @property
    def ends(self) -> str:
        return "" if self.closing or not self.filling.units else "Close the carton"

    @property
    def links(self) -> list[Link]:
        return [Link("Print its label", reverse("carton-label", args=[self.it.key]))]
