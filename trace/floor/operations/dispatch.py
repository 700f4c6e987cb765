"""Packing finished units, loading shipments, sending them off."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db.models import Max

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.keys import clean_key, clean_text, free_key, next_key
from trace.core.models import Person
from trace.floor.admission import contents_of, places_of
from trace.floor.carrying import PART_FIRST, leave_racks
from trace.floor.models import Carton, Consignment, Customer, Packing, Pallet, Return, Shipment, Unit
from trace.floor.packing import (
    LATER,
    DispatchRefused,
    check_carton_open,
    check_cartons_closed,
    check_contents,
    check_finished,
    find_last_opened,
    find_loads,
    find_pallets,
    hold_still,
    list_stacked,
    list_units_in,
    lock_cartons,
    lock_pallets,
    read_filling,
)
from trace.floor.queries import find_last_known, find_last_worked_on, lock_units
from trace.floor.scans import bound_by_scan
from trace.holds.gate import check_moves, moving
from trace.holds.operations import hold_as_stopped
from trace.holds.rules import Move
from trace.ledger.operation import note, operation


@operation()
def define_customer(*, key: str, name: str, by: Person, at: datetime) -> Customer:
    """Make a customer known."""
    return Customer.objects.create(key=free_key(Customer, key), name=clean_text(name, 120, "The name"))


@moving
def pack_units(*, carton: str, units: Sequence[Unit], by: Person, at: datetime) -> Carton:
    """Finished units go into a carton; a new label makes a new carton.

    All or none. Refuses with Held, and with DispatchRefused units that are fitted in another or packed
    already, that are unfinished, scrapped or incomplete, themselves or anything inside them, that don't go with what
    is in the carton, or more of them than it takes, or that were elsewhere or worked on after that moment, and a carton
    that is closed, or on a pallet or a shipment.
    """
    if not units:
        raise DispatchRefused("Scan at least one unit.")
    locked = lock_units(units)
    box, new = Carton.objects.get_or_create(key=clean_key(carton), defaults={"made": to_ticks(at)})
    lock_cartons([box.pk])
    inside = contents_of(locked)
    check_moves(Move.PACK, [box, *(u for units_inside in inside.values() for u in units_inside)])
    _want_loose(inside, to_ticks(at))
    check_finished(inside)
    if not new:
        check_carton_open(box)
        if to_ticks(at) < find_last_opened(box):
            raise DispatchRefused(f"Carton {box.key} was opened after that moment.", action=LATER)
    _want_room(box, [] if new else list_units_in(box), locked)
    bound_by_scan(locked, to_ticks(at), by)
    leave_racks(locked, at)
    recorded = to_ticks(now())
    Packing.objects.bulk_create(
        Packing(unit=unit, carton=box, since=to_ticks(at), by=by, recorded=recorded) for unit in locked
    )
    return box


@moving
def unpack_unit(*, unit: Unit, reason: str, by: Person, at: datetime) -> Unit:
    """A unit is taken out of its carton again, and is held as that is. DispatchRefused without a reason, when it is not
    packed, or when the carton is closed, or on a pallet or a shipment."""
    reason = clean_text(reason, 300, "The reason")
    (unit,) = Unit.objects.select_for_update().filter(pk=unit.pk)
    packing = Packing.objects.filter(unit=unit, until=None).select_related("carton").first()
    if packing is None:
        raise DispatchRefused(f"{unit.key} is in no carton.", action="Check its label.")
    if not reason:
        raise DispatchRefused("Say why it is taken out.", action="Give the reason in a sentence.")
    lock_cartons([packing.carton_id])
    check_carton_open(packing.carton)
    check_moves(Move.UNPACK, [unit, packing.carton])
    packing.until, packing.ended = max(to_ticks(at), packing.since), to_ticks(now())
    packing.save(update_fields=["until", "ended"])
    hold_still(packing.carton, [unit], by, at)
    note(packing.carton)
    return unit


@operation()
def open_shipment(*, customer: Customer, key: str = "", by: Person, at: datetime) -> Shipment:
    """A shipment to a customer can be loaded; its label is the one given, else the next in the row. Refuses with
    BadKey, KeyInUse."""
    return Shipment.objects.create(
        key=free_key(Shipment, key) if key else next_key(Shipment, "SHIP"), customer=customer, opened=to_ticks(at)
    )


@moving
def load_shipment(
    *,
    shipment: str,
    customer: Customer,
    cartons: Sequence[Carton] = (),
    pallets: Sequence[Pallet] = (),
    by: Person,
    at: datetime,
) -> Shipment:
    """Closed cartons, and pallets with all that is on them, are put on a shipment to a customer; a new label opens a
    new shipment.

    All or none. Refuses with Held, and with DispatchRefused a carton that is not closed, on a pallet, on another
    shipment or has in it what may not leave the floor, a pallet that is empty, or a shipment that has departed or goes
    to somebody else.
    """
    load, _ = Shipment.objects.get_or_create(
        key=clean_key(shipment), defaults={"customer": customer, "opened": to_ticks(at)}
    )
    stacked = {pallet.pk: list_stacked(pallet) for pallet in pallets}
    boxes = lock_cartons([box.pk for box in [*cartons, *(box for on in stacked.values() for box in on)]])
    pallets = _lock_stacked(stacked)
    load = Shipment.objects.select_for_update(of=("self",)).select_related("customer").get(pk=load.pk)
    if load.customer_id != customer.pk:
        raise DispatchRefused(f"Shipment {load.key} goes to {load.customer}.")
    _want_not_gone(load)
    if not boxes:
        raise DispatchRefused("Scan at least one carton or pallet.")
    loads, on = find_loads(boxes), find_pallets(boxes)
    for box in boxes:
        if box.pk in loads:
            raise DispatchRefused(
                f"Carton {box.key} is on shipment {loads[box.pk].shipment.key} already.",
                action="Check its label; to load it here, unload it there first.",
            )
        if box.pk in on and on[box.pk] not in pallets:
            raise DispatchRefused(
                f"Carton {box.key} is on pallet {on[box.pk].key}.", action="Load the pallet, or take it off first."
            )
    check_contents(Move.SHIP, [load], boxes)
    check_cartons_closed(boxes, to_ticks(at))
    Consignment.objects.bulk_create(Consignment(carton=box, shipment=load, since=to_ticks(at)) for box in boxes)
    note(*boxes)
    return load


@moving
def unload_shipment(
    *,
    shipment: Shipment,
    cartons: Sequence[Carton] = (),
    pallets: Sequence[Pallet] = (),
    reason: str,
    by: Person,
    at: datetime,
) -> Shipment:
    """Cartons, and pallets with all that is on them, are taken off a shipment before it departs; the record keeps who
    did, and why. No hold keeps them there: what is held goes with them.

    All or none. Refuses with DispatchRefused without a reason, what is not on the shipment or was loaded after that
    moment, a carton alone that is on a pallet, and a shipment that has departed; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    stacked = {pallet.pk: list_stacked(pallet) for pallet in pallets}
    boxes = lock_cartons([box.pk for box in [*cartons, *(box for on in stacked.values() for box in on)]])
    pallets = _lock_stacked(stacked)
    shipment = Shipment.objects.select_for_update(of=("self",)).select_related("customer").get(pk=shipment.pk)
    _want_not_gone(shipment)
    if not reason or not boxes:
        raise DispatchRefused(
            "Say why it is unloaded." if boxes else "Scan at least one carton or pallet.",
            action="Give the reason in a sentence.",
        )
    loads, on = find_loads(boxes), find_pallets(boxes)
    for box in boxes:
        if box.pk not in loads or loads[box.pk].shipment_id != shipment.pk:
            raise DispatchRefused(f"Carton {box.key} is not on shipment {shipment.key}.")
        if to_ticks(at) < loads[box.pk].since:
            raise DispatchRefused(f"Carton {box.key} was loaded after that moment.", action=LATER)
        if box.pk in on and on[box.pk] not in pallets:
            raise DispatchRefused(f"Carton {box.key} is on pallet {on[box.pk].key}.", action="Unload the pallet.")
    ended = Consignment.objects.filter(pk__in=[load.pk for load in loads.values()])
    ended.update(until=to_ticks(at), ended=to_ticks(now()))
    hold_still(shipment, boxes, by, at)
    note(*boxes)
    return shipment


@moving
def send_shipment(*, shipment: Shipment, by: Person, at: datetime) -> Shipment:
    """The shipment leaves for its customer with everything on it.

    Refuses with Held when anything on it is held, DispatchRefused when it is empty, has departed, was
    loaded after that moment or has on it what may not leave the floor.
    """
    loaded = Consignment.objects.filter(shipment=shipment, until=None)
    cartons = lock_cartons(loaded.values_list("carton", flat=True))
    shipment = Shipment.objects.select_for_update(of=("self",)).select_related("customer").get(pk=shipment.pk)
    _want_not_gone(shipment)
    if set(loaded.values_list("carton", flat=True)) != {box.pk for box in cartons}:
        raise DispatchRefused(f"Somebody is still loading shipment {shipment.key}.", action="Try again.")
    if not cartons:
        raise DispatchRefused(f"Shipment {shipment.key} is empty.", action="Load it first.")
    if to_ticks(at) < loaded.aggregate(last=Max("since"))["last"]:
        raise DispatchRefused(f"Shipment {shipment.key} was loaded after that moment.", action=LATER)
    check_contents(Move.SHIP, [shipment], cartons)
    check_cartons_closed(cartons, to_ticks(at))
    shipment.departed, shipment.departure_recorded = to_ticks(at), to_ticks(now())
    shipment.save(update_fields=["departed", "departure_recorded"])
    note(*cartons, shipment.customer)
    return shipment


@moving
def recall_shipment(*, shipment: Shipment, reason: str, by: Person, at: datetime) -> Shipment:
    """It was recorded as sent and never departed: its cartons are off it from the moment on at which it is said to have
    left, closed as they are and on their pallets, and go on another shipment. Held with them is what a hold on the
    shipment would keep here; and all that is in them under each containment that stopped anything since: it took
    them for gone.

    Refuses with DispatchRefused without a reason, a shipment that was not sent, or was recalled before, a moment before
    it is said to have left, and once something came back of it; with BadText.
    """
    reason = clean_text(reason, 300, "The reason")
    loaded = Consignment.objects.filter(shipment=shipment, until=None)
    cartons = lock_cartons(loaded.values_list("carton", flat=True))
    shipment = Shipment.objects.select_for_update(of=("self",)).select_related("customer").get(pk=shipment.pk)
    if not reason:
        raise DispatchRefused("Say why it never departed.", action="Give the reason in a sentence.")
    if shipment.departed is None:
        raise DispatchRefused(f"Shipment {shipment.key} was not sent.", action="Unload what does not belong on it.")
    if not loaded.exists():
        raise DispatchRefused(f"Shipment {shipment.key} was recalled before.", action="Nothing needs doing.")
    if to_ticks(at) < shipment.departed:
        raise DispatchRefused(f"Shipment {shipment.key} was sent after that moment.", action=LATER)
    if back := Return.objects.filter(shipment=shipment, superseded=None).order_by("pk").first():
        raise DispatchRefused(
            f"Something of shipment {shipment.key} came back from its customer, in {back.key}.",
            action="If that was another shipment, void the return first.",
        )
    note(*cartons, shipment.customer, left=shipment.departed)
    loaded.update(until=shipment.departed, ended=to_ticks(now()))
    hold_still(shipment, cartons, by, at)
    units = Unit.objects.filter(packings__carton__in=cartons, packings__until=None)
    inside = (unit for inner in contents_of(list(units)).values() for unit in inner)
    if held := hold_as_stopped([*cartons, *inside], from_ticks(shipment.departure_recorded or 0), by, at):
        note(held_too=sorted({hold.under for hold in held}))
    return shipment


def _want_not_gone(shipment: Shipment) -> None:
    if shipment.departed is not None:
        raise DispatchRefused(f"Shipment {shipment.key} has departed.", action="Open another shipment.")


def _lock_stacked(stacked: dict[int, list[Carton]]) -> list[Pallet]:
    """The pallets, whose cartons are those that were locked before."""
    pallets = lock_pallets(stacked)
    for pallet in pallets:
        if not stacked[pallet.pk]:
            raise DispatchRefused(f"Pallet {pallet.key} is empty.", action="Stack it first.")
        if list_stacked(pallet) != stacked[pallet.pk]:
            raise DispatchRefused(f"Somebody is still stacking pallet {pallet.key}.", action="Try again.")
    return pallets


def _want_room(box: Carton, there: Sequence[Unit], units: Sequence[Unit]) -> None:
    """The carton takes these beside what is in it."""
    filling = read_filling([*there, *units])
    if filling.product is None:
        new, old = units[0].part, there[0].part if there else units[-1].part
        raise DispatchRefused(
            f"Carton {box.key}: {new.key}, {new.name}, does not go in with {old.key}, {old.name}.",
            action="Put it into a carton of its own.",
        )
    for problem in filling.too_many:
        raise DispatchRefused(f"Carton {box.key} is full: {problem}.", action="Close it, and start another.")


def _want_loose(contents: dict[int, list[Unit]], moment: int) -> None:
    """Neither in a unit nor in a carton nor in a panel, and nowhere else after that moment; nor was anything done to
    it, or to what is in it, after that, so that it leaves as it is on record then. `contents` as `contents_of` has
    them."""
    units = [inside[0] for inside in contents.values()]
    places, known, worked_on = places_of(units), find_last_known(units), find_last_worked_on(contents)
    for unit in units:
        where = places.get(unit.pk, {})
        if home := where.get("fitted_in"):
            raise DispatchRefused(f"{unit.key} is fitted in {home}.", action=f"Pack {home}, with it inside.")
        if "packed_in" in where:
            there = f"{unit.key} is packed in carton {where['packed_in']} already"
            if customer := where.get("shipped_to"):
                raise DispatchRefused(
                    f"{there}, and on record as shipped to {customer}.",
                    action="Put it aside and call the quality engineer: it should not be here.",
                )
            raise DispatchRefused(f"{there}.", action="Check its label; to pack it here, take it out there first.")
        if panel := where.get("in_panel"):
            raise DispatchRefused(f"{unit.key} is in panel {panel}.", action=PART_FIRST)
        if moment < known[unit.pk]:
            raise DispatchRefused(
                f"{unit.key} was on record elsewhere after that moment.",
                action=LATER,
            )
        if moment < worked_on[unit.pk]:
            raise DispatchRefused(f"{unit.key} was worked on after that moment.", action=LATER)
