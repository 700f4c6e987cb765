"""Packing finished units, loading shipments, sending them off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text, free_key
from trace.core.models import Person
from trace.floor.admission import contents_of, places_of
from trace.floor.models import Carton, Consignment, Customer, Packing, Shipment, Unit
from trace.floor.queries import find_flaws, find_last_known, lock_units
from trace.floor.scans import bound_by_scan
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation


class DispatchRefused(Refusal):
    """A unit, carton or shipment can't be packed or sent as asked."""

    code = "dispatch-refused"
    action = "Put it aside and check its label."


@operation()
def define_customer(*, key: str, name: str, by: Person, at: datetime) -> Customer:
    """Make a customer known."""
    return Customer.objects.create(key=free_key(Customer, key), name=clean_text(name, 120, "The name"))


@moving
def pack_units(*, carton: str, units: Sequence[Unit], by: Person, at: datetime) -> Carton:
    """Finished units go into a carton; a new label makes a new carton.

    All or none. Refuses with Held, and with DispatchRefused units that are fitted in another or packed
    already, that are unfinished, scrapped or incomplete, themselves or anything inside them, or that
    were elsewhere after that moment, and a carton on a shipment that has departed.
    """
    if not units:
        raise DispatchRefused("Scan at least one unit.")
    locked = lock_units(units)
    box, _ = Carton.objects.get_or_create(key=clean_key(carton), defaults={"made": to_ticks(at)})
    _lock_cartons([box.pk])
    inside = contents_of(locked)
    check_moves(Move.PACK, [box, *(u for units_inside in inside.values() for u in units_inside)])
    if box.consignments.filter(until=None, shipment__departed__isnull=False).exists():
        raise DispatchRefused(f"Carton {box.key} has been shipped.")
    _want_loose(locked, to_ticks(at))
    _want_finished(inside)
    bound_by_scan(locked, to_ticks(at), by)
    recorded = to_ticks(now())
    Packing.objects.bulk_create(
        Packing(unit=unit, carton=box, since=to_ticks(at), by=by, recorded=recorded) for unit in locked
    )
    return box


@moving
def unpack_unit(*, unit: Unit, reason: str, by: Person, at: datetime) -> Unit:
    """A unit is taken out of its carton again. DispatchRefused without a reason, when it is not
    packed, or when the carton has been shipped."""
    reason = clean_text(reason, 300, "The reason")
    (unit,) = Unit.objects.select_for_update().filter(pk=unit.pk)
    packing = Packing.objects.filter(unit=unit, until=None).select_related("carton").first()
    if not reason or packing is None:
        raise DispatchRefused("Say why." if packing else f"{unit.key} is in no carton.")
    _lock_cartons([packing.carton_id])
    if packing.carton.consignments.filter(until=None, shipment__departed__isnull=False).exists():
        raise DispatchRefused(f"Carton {packing.carton.key} has been shipped.")
    check_moves(Move.UNPACK, [unit, packing.carton])
    packing.until, packing.ended = max(to_ticks(at), packing.since), to_ticks(now())
    packing.save(update_fields=["until", "ended"])
    note(packing.carton)
    return unit


@moving
def load_shipment(
    *, shipment: str, customer: Customer, cartons: Sequence[Carton], by: Person, at: datetime
) -> Shipment:
    """Cartons are put on a shipment to a customer; a new label opens a new shipment.

    All or none. Refuses with Held, and with DispatchRefused a carton that is empty, on another
    shipment or has in it what may not be packed, or a shipment that has departed or goes to somebody
    else.
    """
    load, _ = Shipment.objects.get_or_create(
        key=clean_key(shipment), defaults={"customer": customer, "opened": to_ticks(at)}
    )
    cartons = _lock_cartons([carton.pk for carton in cartons])
    load = Shipment.objects.select_for_update(of=("self",)).select_related("customer").get(pk=load.pk)
    if load.customer_id != customer.pk:
        raise DispatchRefused(f"Shipment {load.key} goes to {load.customer}.")
    if load.departed is not None:
        raise DispatchRefused(f"Shipment {load.key} has departed.")
    if not cartons:
        raise DispatchRefused("Scan at least one carton.")
    _check_cartons(Move.SHIP, load, cartons)
    for carton in cartons:
        if Consignment.objects.filter(carton=carton, until=None).exists():
            raise DispatchRefused(f"Carton {carton.key} is on a shipment already.")
        if not carton.packings.filter(until=None).exists():
            raise DispatchRefused(f"Carton {carton.key} is empty.")
    Consignment.objects.bulk_create(Consignment(carton=carton, shipment=load, since=to_ticks(at)) for carton in cartons)
    return load


@moving
def send_shipment(*, shipment: Shipment, by: Person, at: datetime) -> Shipment:
    """The shipment leaves for its customer with everything on it.

    Refuses with Held when anything on it is held, DispatchRefused when it is empty, has departed or
    has on it what may not be packed.
    """
    loaded = Consignment.objects.filter(shipment=shipment, until=None)
    cartons = _lock_cartons(loaded.values_list("carton", flat=True))
    shipment = Shipment.objects.select_for_update().get(pk=shipment.pk)
    if shipment.departed is not None:
        raise DispatchRefused(f"Shipment {shipment.key} has departed.")
    if loaded.count() != len(cartons):
        raise DispatchRefused(f"Somebody is still loading shipment {shipment.key}.", action="Try again.")
    if not cartons:
        raise DispatchRefused(f"Shipment {shipment.key} is empty.")
    _check_cartons(Move.SHIP, shipment, cartons)
    shipment.departed, shipment.departure_recorded = to_ticks(at), to_ticks(now())
    shipment.save(update_fields=["departed", "departure_recorded"])
    note(*cartons, shipment.customer)
    return shipment


def _lock_cartons(ids: Iterable[int]) -> list[Carton]:
    """Whoever packs, unpacks, loads or sends a carton has it alone."""
    return list(Carton.objects.select_for_update().filter(pk__in=list(ids)).order_by("pk"))


def _check_cartons(move: Move, shipment: Shipment, cartons: Sequence[Carton]) -> None:
    units = list(Unit.objects.filter(packings__carton__in=cartons, packings__until=None))
    inside = contents_of(units)
    check_moves(move, [shipment, *cartons, *(unit for units_inside in inside.values() for unit in units_inside)])
    _want_finished(inside)


def _want_loose(units: Sequence[Unit], moment: int) -> None:
    """Neither in a unit nor in a carton, and nowhere else after that moment."""
    places, known = places_of(units), find_last_known(units)
    for unit in units:
        where = places.get(unit.pk, {})
        if home := where.get("fitted_in"):
            raise DispatchRefused(f"{unit.key} is fitted in {home}; pack that.")
        if "packed_in" in where:
            raise DispatchRefused(f"{unit.key} is packed already.")
        if moment < known[unit.pk]:
            raise DispatchRefused(
                f"{unit.key} was on record elsewhere after that moment.",
                action="Give the right time, or have the later record corrected.",
            )


def _want_finished(contents: dict[int, list[Unit]]) -> None:
    for message, action in find_flaws(contents).values():
        raise DispatchRefused(message, action=action)
