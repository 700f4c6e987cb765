"""The whole life of a unit as of a moment, once for its page and for its history on paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from trace.engineering.models import Part
from trace.floor.designs import get_design
from trace.floor.models import Fitting, Shipment, Unit
from trace.floor.queries import find_due_step
from trace.genealogy.backward import AsBuilt, trace_backward
from trace.genealogy.compared import Compared, compare_with_design
from trace.genealogy.rules import Sureness
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts
from trace.web.answer import holds_table, list_open_holds
from trace.web.approvals import approval_tables
from trace.web.cells import Link
from trace.web.contents import LotIn, list_lots_in, lots_table
from trace.web.designed import design_table
from trace.web.faults import list_fault_tables
from trace.web.moments import Asof, write_moment
from trace.web.readings import readings_table
from trace.web.tables import Table
from trace.web.timeline import list_departures, record_table, timeline_table

GONE_ON = (Place.FITTED, Place.PACKED, Place.SHIPPED)
"""Where only what is finished is; of these places that is not said by the place itself."""


@dataclass
class Life:
    """A unit as it stood at a moment, as known on a day: to be read inside `as_known`."""

    unit: Unit
    asof: Asof

    @cached_property
    def built(self) -> AsBuilt:
        return trace_backward(self.unit, self.asof.ticks)

    @cached_property
    def inside(self) -> list[str]:
        """The serials of the unit and of all within it."""
        return [child.key for child in self.built.walk()]

    @cached_property
    def chain(self) -> list[tuple[Unit, Whereabouts]]:
        """The unit with where it is, and each unit that it is in with where that is."""
        found = [(self.unit, find_whereabouts([self.unit.pk], self.asof.ticks)[self.unit.pk])]
        while found[-1][1].kind == Place.FITTED:
            homes = Fitting.objects.filter(child=found[-1][0], superseded=None, since__lte=self.asof.ticks)
            homes = homes.exclude(until__lte=self.asof.ticks).exclude(doubted__lt=self.asof.ticks)
            home = homes.select_related("unit")[0].unit
            found.append((home, find_whereabouts([home.pk], self.asof.ticks)[home.pk]))
        return found

    @property
    def trail(self) -> list[Whereabouts]:
        return [where for _, where in self.chain]

    @cached_property
    def design(self) -> Part:
        """The revision that it conforms to."""
        return get_design(self.unit, self.asof.ticks)

    @cached_property
    def compared(self) -> list[Compared]:
        return compare_with_design(self.built)

    @cached_property
    def lots(self) -> list[LotIn]:
        return list_lots_in(self.built)

    @property
    def in_it(self) -> int:
        """How many lots are or may be in it."""
        return sum(one.sureness != Sureness.CLEARED for one in self.lots)

    @cached_property
    def due(self) -> Any:
        """The step that is next; of a moment that is past, nobody asks."""
        return None if self.asof.given else find_due_step(self.unit)

    @property
    def finished(self) -> bool:
        """Whether it is finished, and is at a place that does not say so."""
        return not self.asof.given and self.due is None and self.trail[0].kind in GONE_ON

    @cached_property
    def departures(self) -> list[Shipment]:
        """The shipments on which it left, or what it is in."""
        return list_departures([unit for unit, _ in self.chain])

    def looks_back(self) -> Iterator[Link]:
        """To how it stood when it was shipped: by what is known now, and as was known then."""
        for shipment in self.departures:
            departed = shipment.departed or 0
            known = max(departed, shipment.departure_recorded or 0)
            at = f"?at={write_moment(departed)}"
            yield Link(f"As shipped on {shipment.key}", at)
            yield Link(f"As shipped on {shipment.key}, as was known then", f"{at}&known={write_moment(known)}")

    def tables(self) -> list[Table]:
        """What is told of it, in the order in which it is asked."""
        targets = [("unit", serial) for serial in self.inside]
        if (last := self.trail[-1]).kind == Place.PACKED:
            packed = {name: getattr(last, name) for name in ("carton", "pallet", "shipment")}
            targets += [(kind, key) for kind, key in packed.items() if key]
        find = f"?{f'at={self.asof.text}&' if self.asof.given else ''}find="
        return [
            design_table(self.compared),
            readings_table(self.inside, self.asof),
            *list_fault_tables(self.unit, self.asof.ticks),
            holds_table(list_open_holds(targets, self.asof), "Neither it nor anything in it is held."),
            timeline_table(self.unit, self.asof),
            lots_table(self.lots, find),
            *approval_tables("unit", self.unit.key),
            record_table("unit", self.unit.key, self.asof),
        ]
