"""Pallets: closed cartons are stacked, and taken off again with a record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.keys import clean_text, free_key, next_key
from trace.core.models import Person
from trace.floor.models import Carton, Pallet, Stacking
from trace.floor.packing import (
    LATER,
    DispatchRefused,
    check_cartons_closed,
    check_contents,
    check_not_moved_since,
    find_loads,
    find_pallets,
    find_shipment_of,
    hold_still,
    lock_cartons,
    lock_pallets,
)
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation


@operation()
def start_pallet(*, key: str = "", by: Person, at: datetime) -> Pallet:
    """An empty pallet gets a label: the one given, else the next in the row. Refuses with BadKey, KeyInUse."""
    return Pallet.objects.create(key=free_key(Pallet, key) if key else next_key(Pallet, "PALLET"), made=to_ticks(at))


@moving
def stack_pallet(*, pallet: Pallet, cartons: Sequence[Carton], by: Person, at: datetime) -> Pallet:
    """Closed cartons are put on a pallet, all or none.

    Refuses with Held when anything on it, or to go on it, is held; with DispatchRefused a carton that is not closed,
    on a pallet or a shipment, or has in it what may not leave the floor, and a pallet that is on a shipment.
    """
    boxes = lock_cartons([carton.pk for carton in cartons])
    (pallet,) = lock_pallets([pallet.pk])
    if not boxes:
        raise DispatchRefused("Scan at least one carton.")
    check_pallet_here(pallet)
    loads, stacked = find_loads(boxes), find_pallets(boxes)
    for box in boxes:
        if load := loads.get(box.pk):
            raise DispatchRefused(f"Carton {box.key} is on shipment {load.shipment.key}.")
        if on := stacked.get(box.pk):
            raise DispatchRefused(f"Carton {box.key} is on pallet {on.key}.", action="Take it off there first.")
    check_contents(Move.SHIP, [pallet], boxes)
    check_cartons_closed(boxes, to_ticks(at))
    recorded = to_ticks(now())
    Stacking.objects.bulk_create(
        Stacking(carton=box, pallet=pallet, since=to_ticks(at), by=by, recorded=recorded) for box in boxes
    )
    return pallet


@moving
def unstack_carton(*, carton: Carton, reason: str, by: Person, at: datetime) -> Carton:
    """A carton is taken off its pallet again; the record keeps who did, and why. No hold keeps it there: a hold on the
    pallet goes with it.

    Refuses with DispatchRefused without a reason, one that is on no pallet or was stacked after that moment, and where
    the pallet is on a shipment; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    (box,) = lock_cartons([carton.pk])
    stacking = Stacking.objects.filter(carton=box, until=None).select_related("pallet").first()
    if stacking is None:
        raise DispatchRefused(f"Carton {box.key} is on no pallet.")
    (pallet,) = lock_pallets([stacking.pallet_id])
    check_pallet_here(pallet)
    if not reason:
        raise DispatchRefused("Say why it is taken off.", action="Give the reason in a sentence.")
    if to_ticks(at) < stacking.since:
        raise DispatchRefused(f"Carton {box.key} was stacked after that moment.", action=LATER)
    stacking.until, stacking.ended = to_ticks(at), to_ticks(now())
    check_not_moved_since([box], to_ticks(at))
    stacking.save(update_fields=["until", "ended"])
    hold_still(pallet, [box], by, at)
    note(pallet)
    return box


def check_pallet_here(pallet: Pallet) -> None:
    """Refuse with DispatchRefused a pallet that is on a shipment."""
    if shipment := find_shipment_of(pallet):
        if shipment.departed is not None:
            raise DispatchRefused(f"Pallet {pallet.key} has been shipped.")
        raise DispatchRefused(
            f"Pallet {pallet.key} is on shipment {shipment.key}.", action="Unload it with a record first."
        )
