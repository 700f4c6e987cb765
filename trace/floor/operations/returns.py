"""Units that come back from customers: received, held until a disposition counts, closed with what came of them."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import from_ticks, now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text, next_key
from trace.core.models import Person
from trace.engineering.models import FaultCode
from trace.floor.admission import contents_of, places_of
from trace.floor.models import Customer, Packing, Return, Unit
from trace.floor.operations.findings import see_loose
from trace.floor.packing import lock_cartons
from trace.floor.queries import find_flaws, find_last_known, list_parents, lock_units
from trace.floor.returns import find_departure
from trace.holds.gate import holding
from trace.holds.models import Decision, Hold
from trace.holds.operations import write_holds
from trace.holds.queries import find_dispositions
from trace.holds.rules import GOES_ON
from trace.ledger.operation import note


class ReturnRefused(Refusal):
    """A unit can't be received as a return, or its return not be closed or voided, so."""

    code = "return-refused"
    action = "Check the label, and correct what is named."


LATER = "Give the right moment, or have the later record corrected."


@holding
def receive_return(
    *,
    unit: Unit,
    complaint: str,
    customer: Customer | None = None,
    reference: str = "",
    fault_code: FaultCode | None = None,
    condition: str = "",
    alone: bool = False,
    by: Person,
    at: datetime,
) -> Return:
    """A unit came back from a customer, by default from whom it was shipped to: it is shipped no more, and is held in
    the same moment, until a disposition of it is approved.

    `alone`: what is fitted in another by the record came without that; what is fitted there now is not known.
    Refuses with ReturnRefused without a complaint; a fault code that is retired; a unit that was scrapped, was never
    shipped, by itself or in another, or is in the plant by the record; one that is fitted in another and not said to
    have come alone; one that has an open return; a moment before it departed. With BadText.
    """
    moment = to_ticks(at)
    (unit,) = lock_units([unit], parents=True)
    told = {
        "complaint": clean_text(complaint, 300, "The complaint"),
        "reference": clean_text(reference, 60, "The customer’s reference"),
        "condition": clean_text(condition, 300, "The condition"),
    }
    if not told["complaint"]:
        raise ReturnRefused("Say what the customer complains of.", action="Such as: stops after an hour, no display.")
    if fault_code and fault_code.retired:
        raise ReturnRefused(f"Fault code {fault_code.key} is retired.", action="Choose one that is in use, or none.")
    if unit.scrapped is not None:
        raise ReturnRefused(
            f"{unit.key} was scrapped.", action="Put it in the scrap cage, and call the quality engineer."
        )
    if standing := Return.objects.filter(unit=unit, closed=None, superseded=None).first():
        raise ReturnRefused(
            f"{unit.key} was received before, in {standing.key}.",
            action="Go on with that; if it left again since, close that first.",
        )
    parents = list_parents([unit])[unit.pk]
    if parents and not alone:
        raise ReturnRefused(
            f"{unit.key} is on record in {parents[-1].key}.",
            action="Receive that, or say that this came alone.",
        )
    shipment = find_departure(unit)
    if shipment is None:
        raise ReturnRefused(
            f"{unit.key} was never shipped, by itself or in another unit.",
            action="If the label is right, put it aside, marked, and call the quality engineer.",
        )
    departed = shipment.departed or 0
    shipped = "shipped_to" in places_of([unit]).get(unit.pk, {})
    if not shipped and find_last_known([unit])[unit.pk] > departed:
        raise ReturnRefused(
            f"{unit.key} is in the plant by the record: it was scanned there since it left on {shipment.key}.",
            action="If the label is right, put it aside, marked, and call the quality engineer.",
        )
    if moment < departed:
        raise ReturnRefused(f"{unit.key} left on {shipment.key} after that moment.", action=LATER)
    recorded = now_ticks()
    if shipped:
        _unpack(unit, moment, recorded)
    else:
        see_loose(unit, moment, by)
    customer = customer or shipment.customer
    key = next_key(Return, "RET")
    (hold,) = write_holds([unit], f"returned by {customer.name}, {key}: {told['complaint']}"[:300], (), by, at)
    note(shipment, customer)
    return Return.objects.create(
        key=key,
        unit=unit,
        customer=customer,
        shipment=shipment,
        code=fault_code,
        hold=hold,
        received=moment,
        by=by,
        recorded=recorded,
        **told,
    )


def _unpack(unit: Unit, moment: int, recorded: int) -> None:
    """It is in the carton no more in which it left."""
    packing = Packing.objects.get(unit=unit, until=None)
    lock_cartons([packing.carton_id])
    packing.until, packing.ended = moment, recorded
    packing.save(update_fields=["until", "ended"])


@holding
def close_return(*, returned: Return, outcome: str = "", by: Person, at: datetime) -> Return:
    """What was decided of a returned unit is done. Where it goes on (use as is, rework, repair) its hold is released:
    it may be packed and shipped again. What was scrapped, or goes back to its supplier, stays held.

    Refuses with ReturnRefused a return that was closed or voided; where no disposition counts that was decided since
    the unit came, or one that sorts only; a unit that was to be scrapped and is not; one that goes on and is not fit to
    leave the floor, naming what is wrong; a moment before it was received. With BadText.
    """
    moment = to_ticks(at)
    returned = _lock_open(returned)
    unit, outcome = returned.unit, clean_text(outcome, 300, "What came of it")
    if moment < returned.received:
        raise ReturnRefused(f"{unit.key} was received after that moment.", action=LATER)
    decided = find_dispositions({("unit", unit.key)}).get(("unit", unit.key))
    if decided is None or decided.decided < from_ticks(returned.received):
        raise ReturnRefused(
            f"Nothing that was decided of {unit.key} since it was received is approved.",
            action="Decide what becomes of it, and have a quality engineer approve that.",
        )
    if decided.decision == Decision.SORT:
        raise ReturnRefused(f"{decided.key} says to sort, not what becomes of {unit.key}.", action="Decide that.")
    if decided.decision == Decision.SCRAP and unit.scrapped is None:
        raise ReturnRefused(f"{unit.key} is to be scrapped, by {decided.key}.", action="Scrap it first.")
    if decided.decision in GOES_ON:
        for message, action in find_flaws(contents_of([unit])).values():
            raise ReturnRefused(message, action=action or "Scan it out there first.")
        _release(returned, f"{decided.decision}, {decided.key}; {returned.key} is closed", by, at)
    returned.closed, returned.closed_by, returned.close_recorded = moment, by, now_ticks()
    returned.disposition, returned.outcome = decided, outcome
    returned.save(update_fields=["closed", "closed_by", "close_recorded", "disposition", "outcome"])
    note(unit, decided)
    return returned


@holding
def void_return(*, returned: Return, reason: str, by: Person, at: datetime) -> Return:
    """It was received by mistake: the unit never came, and is where it was shipped to, in its carton if it left in
    one; what was said to have come alone stays found loose.

    Refuses with ReturnRefused without a reason, a return that was closed or voided, and once the unit was worked on;
    with BadText."""
    reason = clean_text(reason, 300, "The reason")
    returned = _lock_open(returned)
    unit = returned.unit
    if not reason:
        raise ReturnRefused("Say what was wrong.", action="Such as: the label of the unit beside it was scanned.")
    if find_last_known([unit])[unit.pk] > returned.received:
        raise ReturnRefused(f"{unit.key} was scanned since it was received.", action="Decide what becomes of it.")
    recorded = now_ticks()
    for packing in Packing.objects.filter(unit=unit, until=returned.received):
        Packing.objects.create(
            unit=unit, carton_id=packing.carton_id, since=returned.received, by=by, recorded=recorded
        )
    _release(returned, reason, by, at)
    returned.superseded = recorded
    returned.save(update_fields=["superseded"])
    note(unit, reason=reason)
    return returned


def _lock_open(returned: Return) -> Return:
    """With its unit, and locked by that."""
    (unit,) = lock_units([returned.unit])
    returned = Return.objects.get(pk=returned.pk)
    returned.unit = unit
    if returned.superseded is not None or returned.closed is not None:
        ended = "voided" if returned.superseded is not None else "closed"
        raise ReturnRefused(f"{returned.key} was {ended} before.", action="Nothing needs doing.")
    return returned


def _release(returned: Return, reason: str, by: Person, at: datetime) -> None:
    """The hold that came with the return, unless a quality engineer released it."""
    standing = Hold.objects.filter(pk=returned.hold_id, released=None)
    standing.update(released=at, released_by=by, release_reason=reason[:300], release_recorded=from_ticks(now_ticks()))
