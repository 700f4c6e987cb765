"""What is in cartons, what belongs in them, and where cartons are; for operations that pack, stack and load."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TypeVar

from django.db.models import Max, Model, Q

from trace.core.errors import NotFound, Refusal
from trace.core.models import Person
from trace.engineering.models import PackingLine, Part
from trace.floor.admission import contents_of
from trace.floor.models import Carton, Closing, Consignment, Packing, Pallet, Shipment, Stacking, Unit
from trace.floor.queries import find_flaws
from trace.holds.gate import check_moves, find_holds
from trace.holds.operations import write_holds
from trace.holds.rules import Move
from trace.ledger.operation import note

M = TypeVar("M", bound=Model)


class DispatchRefused(Refusal):
    """A unit, carton, pallet or shipment can't be packed, stacked, loaded or sent as asked."""

    code = "dispatch-refused"
    action = "Put it aside and check its label."


class ContentsRefused(Refusal):
    """What is in a carton is not what belongs in it."""

    code = "contents-refused"
    action = "Put in what is missing and take out what is wrong, then check the contents once more."


LATER = "Give the right time, or have the later record corrected."


@dataclass(frozen=True)
class Wanted:
    """A part that belongs in a carton, how many; how many were packed, where it is tracked by serial."""

    part: Part
    quantity: int
    packed: int | None


@dataclass(frozen=True)
class Filling:
    """The units in a carton, and what belongs there by the packing rule of the product that it is a carton of: none
    where nothing is in it, or units that don't go together."""

    units: Sequence[Unit]
    product: Part | None
    lines: Sequence[PackingLine]

    @cached_property
    def counts(self) -> Mapping[Part, int]:
        """How many units of each part are in it."""
        counts: dict[Part, int] = defaultdict(int)
        for unit in self.units:
            counts[unit.part] += 1
        return counts

    @property
    def packed(self) -> int:
        """How many of the product are in it."""
        return self.counts.get(self.product, 0) if self.product else 0

    @property
    def most(self) -> int | None:
        """How many of the product it takes; None without a packing rule."""
        return next((line.quantity for line in self.lines if line.part == self.product), None)

    @property
    def full(self) -> bool:
        return self.most is not None and self.packed >= self.most

    @property
    def wanted(self) -> list[Wanted]:
        """What belongs in it beside the product."""
        return [
            Wanted(line.part, line.quantity, self.counts.get(line.part, 0) if line.part.serialised else None)
            for line in self.lines
            if line.part != self.product
        ]

    @property
    def too_many(self) -> list[str]:
        """Parts of which more is packed than belongs there, in words."""
        over = ((self.product, self.packed, self.most), *((w.part, w.packed, w.quantity) for w in self.wanted))
        return [
            f"it takes {most} of {part.key}, and that would be {packed}"
            for part, packed, most in over
            if part and packed is not None and most is not None and packed > most
        ]


def list_units_in(carton: Carton) -> list[Unit]:
    """The units in a carton, in the order of their serials."""
    return list(
        Unit.objects.filter(packings__carton=carton, packings__until=None).select_related("part").order_by("key")
    )


def read_filling(units: Sequence[Unit]) -> Filling:
    """What units (with their parts) make of the carton that they are in."""
    parts = sorted({unit.part for unit in units}, key=lambda part: part.key)
    lines: dict[Part, list[PackingLine]] = {part: [] for part in parts}
    for line in PackingLine.objects.filter(product__in=parts).select_related("product", "part"):
        lines[line.product].append(line)
    for part in parts:
        if all(other == part or any(line.part == other for line in lines[part]) for other in parts):
            return Filling(units, part, lines[part])
    return Filling(units, None, [])


def get_carton(key: str) -> Carton:
    """The carton of a key, or NotFound."""
    return _get(Carton, "carton", key)


def get_pallet(key: str) -> Pallet:
    """The pallet of a key, or NotFound."""
    return _get(Pallet, "pallet", key)


def get_shipment(key: str) -> Shipment:
    """The shipment of a key, or NotFound."""
    return _get(Shipment, "shipment", key)


def _get(model: type[M], kind: str, key: str) -> M:
    found = model._default_manager.filter(key=key).first()
    if found is None:
        raise NotFound(f"No {kind} has the key {key[:60]}.")
    return found


def lock_cartons(ids: Iterable[int]) -> list[Carton]:
    """Whoever packs, unpacks, closes, stacks, loads or sends a carton has it alone. Taken after the locks on units."""
    return list(Carton.objects.select_for_update().filter(pk__in=list(ids)).order_by("pk"))


def lock_pallets(ids: Iterable[int]) -> list[Pallet]:
    """Whoever stacks or loads a pallet has it alone. Taken after the locks on cartons."""
    return list(Pallet.objects.select_for_update().filter(pk__in=list(ids)).order_by("pk"))


def find_closings(cartons: Iterable[Carton]) -> dict[int, Closing]:
    """Per carton that is closed, its closing."""
    closings = Closing.objects.filter(carton__in=list(cartons), until=None).select_related("by")
    return {one.carton_id: one for one in closings}


def find_pallets(cartons: Iterable[Carton]) -> dict[int, Pallet]:
    """Per carton that is on one, its pallet."""
    stacked = Stacking.objects.filter(carton__in=list(cartons), until=None).select_related("pallet")
    return {one.carton_id: one.pallet for one in stacked}


def find_loads(cartons: Iterable[Carton]) -> dict[int, Consignment]:
    """Per carton that is on a shipment, departed or not, its consignment."""
    loads = Consignment.objects.filter(carton__in=list(cartons), until=None).select_related("shipment__customer")
    return {one.carton_id: one for one in loads}


def check_carton_here(carton: Carton) -> None:
    """Refuse with DispatchRefused a carton that is on a pallet or a shipment: nothing goes in or comes out there."""
    if load := find_loads([carton]).get(carton.pk):
        if load.shipment.departed is not None:
            raise DispatchRefused(f"Carton {carton.key} has been shipped.")
        raise DispatchRefused(
            f"Carton {carton.key} is on shipment {load.shipment.key}.", action="Unload it with a record first."
        )
    if pallet := find_pallets([carton]).get(carton.pk):
        raise DispatchRefused(
            f"Carton {carton.key} is on pallet {pallet.key}.", action="Take it off the pallet with a record first."
        )


def check_carton_open(carton: Carton) -> None:
    """Refuse with DispatchRefused a carton that is closed, stacked or loaded."""
    check_carton_here(carton)
    if carton.pk in find_closings([carton]):
        raise DispatchRefused(f"Carton {carton.key} is closed.", action="Open it with a record first.")


def check_cartons_closed(cartons: Sequence[Carton], moment: int) -> None:
    """Refuse with DispatchRefused a carton that is not closed, or was closed or last moved after that moment."""
    check_not_moved_since(cartons, moment)
    closings = find_closings(cartons)
    for carton in cartons:
        if carton.pk not in closings:
            raise DispatchRefused(f"Carton {carton.key} is not closed.", action="Check its contents and close it.")
        if moment < closings[carton.pk].since:
            raise DispatchRefused(f"Carton {carton.key} was closed after that moment.", action=LATER)


def check_not_moved_since(cartons: Sequence[Carton], moment: int) -> None:
    """Refuse with DispatchRefused a carton that was stacked, loaded, or taken off again after that moment."""
    for kept in (Stacking, Consignment):
        moved = kept._default_manager.filter(carton__in=cartons).values_list("carton__key")
        for carton, *moments in moved.annotate(Max("since"), Max("until")):
            if moment < max(one or 0 for one in moments):
                raise DispatchRefused(f"Carton {carton} was moved after that moment.", action=LATER)


def hold_still(source: Carton | Pallet | Shipment, taken: Sequence[Unit | Carton], by: Person, at: datetime) -> None:
    """What is taken out of something, or off it, whose hold keeps it here is held as that was. For use while whatever
    is taken is locked, and goes nowhere else before that. Of a containment's hold that is no use: what is suspect in it
    is held by itself, and the rest is not suspect."""
    for hold in (one for one in find_holds(Move.SHIP, [source]) if not one.under):
        write_holds(taken, hold.sentence[:300], [Move(move) for move in hold.permits], by, at)
        note(held_too=hold.sentence)


def check_contents(move: Move, things: Sequence[Carton | Pallet | Shipment], cartons: Sequence[Carton]) -> None:
    """Refuse with Held where a hold on any of these, on the pallets of the cartons, on the units in them or anything
    inside those does not permit the move; with DispatchRefused where one of them may not leave the floor."""
    units = list(Unit.objects.filter(packings__carton__in=cartons, packings__until=None))
    inside = contents_of(units)
    pallets = Pallet.objects.filter(
        pk__in=Stacking.objects.filter(carton__in=cartons, until=None).values_list("pallet", flat=True)
    )
    everything = (unit for units_inside in inside.values() for unit in units_inside)
    check_moves(move, [*things, *cartons, *pallets, *everything])
    check_finished(inside)


def check_finished(contents: dict[int, list[Unit]]) -> None:
    """Refuse with DispatchRefused what may not leave the floor. `contents` as `contents_of` has them."""
    for message, action in find_flaws(contents).values():
        raise DispatchRefused(message, action=action)


def find_last_opened(carton: Carton) -> int:
    """The latest moment at which a carton was opened after it was closed; else 0."""
    return Closing.objects.filter(carton=carton).aggregate(last=Max("until"))["last"] or 0


def find_last_packed(carton: Carton) -> int:
    """The latest moment at which anything was packed in a carton or taken out of it, or it was opened."""
    packed = Packing.objects.filter(carton=carton).aggregate(Max("since"), Max("until"))
    return max(carton.made, find_last_opened(carton), *(moment or 0 for moment in packed.values()))


def list_stacked(pallet: Pallet) -> list[Carton]:
    """The cartons on a pallet, in the order of their keys."""
    return list(Carton.objects.filter(stackings__pallet=pallet, stackings__until=None).order_by("key"))


def find_shipment_of(pallet: Pallet) -> Shipment | None:
    """The shipment that a pallet is on, departed or not: all of its cartons are, or none."""
    on = Q(consignments__until=None, consignments__carton__stackings__pallet=pallet)
    on &= Q(consignments__carton__stackings__until=None)
    return Shipment.objects.filter(on).select_related("customer").first()
