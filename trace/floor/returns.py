"""Reading returns: how a unit left, which return it is in, what a tear-down found beside what is on record."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q, QuerySet

from trace.core.clock import OPEN
from trace.core.errors import NotFound
from trace.engineering.models import Part
from trace.floor.designs import get_design
from trace.floor.models import Consignment, Fitting, Packing, Return, Shipment, Unit

FOUND = Q(earliest__isnull=False) | Q(reason="seen there")
"""Fittings that somebody recorded because that was seen, not because it was done."""


def get_return(key: str) -> Return:
    """The return of a key, with what belongs to it. Refuses with NotFound."""
    related = ("unit__part", "unit__order", "customer", "shipment", "code", "by", "closed_by", "disposition")
    found = Return.objects.select_related(*related).filter(key=key, superseded=None).first()
    if found is None:
        raise NotFound(f"There is no return {key[:60]}.", action="Look for it in the list of returns.")
    return found


def list_open_returns() -> QuerySet[Return]:
    """The returns that are not closed, the oldest first."""
    return Return.objects.filter(closed=None, superseded=None).order_by("received", "pk")


def find_departure(unit: Unit, before: int = OPEN) -> Shipment | None:
    """The last shipment on which a unit left before a moment: packed itself, or in what it was fitted in then."""
    found: list[Shipment] = []
    for packing in Packing.objects.filter(unit=unit):
        loads = Consignment.objects.filter(
            carton=packing.carton_id, until=None, shipment__departed__gte=packing.since, shipment__departed__lte=before
        )
        if packing.until is not None:
            loads = loads.filter(shipment__departed__lte=packing.until)
        found += [load.shipment for load in loads.select_related("shipment__customer")]
    for fitting in Fitting.objects.filter(child=unit, superseded=None).select_related("unit"):
        end = before if fitting.until is None else min(before, fitting.until)
        shipment = find_departure(fitting.unit, end)
        if shipment and (shipment.departed or 0) >= fitting.since:
            found.append(shipment)
    return max(found, key=lambda shipment: shipment.departed or 0, default=None)


@dataclass(frozen=True)
class Looked:
    """A place for a unit within a returned one: what was on record there when it came, and what was found since, if
    anybody looked. `elsewhere`: the unit that is left with one that is not known, as what was found was on record
    there."""

    holder: Unit
    designator: str
    part: Part
    recorded: Unit | None
    unknown: bool
    found: Fitting | None
    elsewhere: Unit | None

    @property
    def differs(self) -> bool:
        return self.found is not None and self.found.child != self.recorded

    @property
    def state(self) -> str:
        """As recorded, differs, or not looked at."""
        return "not looked at" if self.found is None else "differs" if self.differs else "as recorded"

    @property
    def words(self) -> str:
        """What a difference means, in words; empty where there is none."""
        if not self.differs or self.found is None:
            return ""
        there = f"{self.holder.key} at {self.designator}"
        said = []
        if self.found.child is None:
            said.append(f"Nothing is in {there}.")
        else:
            said.append(f"{self.found.child.key} is in {there}.")
        if self.recorded:
            said.append(f"{self.recorded.key}, on record there, is missing, and nobody knows where it is.")
        else:
            said.append("The record has " + ("a unit that is not known" if self.unknown else "nothing") + " there.")
        if self.elsewhere:
            said.append(
                f"{self.found.child and self.found.child.key} was on record in {self.elsewhere.key}: which unit was in "
                f"which of {self.holder.key} and {self.elsewhere.key} is in doubt since, and so is what that carried."
            )
        return " ".join(said)


def compare_found(returned: Return) -> list[Looked]:
    """The places for units in a returned unit and in what was on record in it, to any depth: what was on record when it
    came beside what a tear-down found."""
    found: list[Looked] = []
    layer = [returned.unit]
    while layer:
        inside: list[Unit] = []
        for holder in layer:
            rows = _compare_one(holder, returned)
            found += rows
            inside += [row.recorded for row in rows if row.recorded]
        layer = inside
    return found


def _compare_one(holder: Unit, returned: Return) -> list[Looked]:
    since, until = returned.received, OPEN if returned.closed is None else returned.closed
    places = get_design(holder).designators.filter(line__child__serialised=True).select_related("line__child")
    fittings = (
        Fitting.objects.filter(unit=holder, superseded=None).select_related("child__part").order_by("since", "pk")
    )
    stood: dict[str, Fitting] = {}
    seen: dict[str, Fitting] = {}
    for one in fittings:
        if one.since < since and (one.until is None or one.until >= since):
            stood[one.designator] = one
    looks = fittings.filter(FOUND, since__gte=since, since__lte=until).exclude(holds=Fitting.Holds.UNKNOWN)
    for one in looks:
        seen[one.designator] = one
    return [
        Looked(
            holder,
            place.name,
            place.line.child,
            stood[place.name].child if place.name in stood else None,
            place.name in stood and stood[place.name].holds == Fitting.Holds.UNKNOWN,
            seen.get(place.name),
            _left_without(seen.get(place.name), holder),
        )
        for place in places
    ]


def _left_without(found: Fitting | None, holder: Unit) -> Unit | None:
    """The other unit in which what was found was on record until then."""
    if found is None or found.child is None:
        return None
    homes = Fitting.objects.filter(child=found.child, until=found.since, superseded=None).exclude(doubted=None)
    home = homes.exclude(unit=holder).select_related("unit").first()
    return home.unit if home else None
