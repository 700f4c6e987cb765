"""A station calls for material; the stores issue a container and bring it."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from uuid import uuid4

from trace.core.clock import to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Part, Station, Substitute
from trace.floor.away import take_as_left
from trace.floor.operations.feeds import check_expiry
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.ledger.operation import operation
from trace.material.models import Call, Container
from trace.material.operations.stock import check_quantity, lock_containers


class CallRefused(Refusal):
    """A call for material can't be made, answered or ended as asked."""

    code = "call-refused"
    action = "Look at the open calls, and choose one of them."


@operation()
def call_material(*, station: Station, part: Part, quantity: Decimal | None = None, by: Person, at: datetime) -> Call:
    """A station asks for a part, `quantity` of it where it matters. Refuses with CallRefused a part that is tracked
    by serial, and a second call while one is open."""
    if part.serialised:
        raise CallRefused(f"{part.key} is tracked by serial.", action="Its units come by themselves, by their routes.")
    if quantity is not None:
        check_quantity(quantity, part.key)
    Station.objects.select_for_update().get(pk=station.pk)
    open_call = Call.objects.filter(station=station, part=part, issued=None, withdrawn=None).first()
    if open_call:
        raise CallRefused(
            f"{station.key} has called for {part.key} already, by {open_call.key}.", action="Wait for it."
        )
    call = Call.objects.create(
        key=uuid4().hex.upper(), station=station, part=part, quantity=quantity, called=to_ticks(at), called_by=by
    )
    call.key = f"CALL-{call.pk:04}"
    call.save(update_fields=["key"])
    return call


@moving
def issue_container(*, call: Call, container: Container, by: Person, at: datetime) -> Call:
    """A container is taken from the stores for a call and goes on its way. Refuses with Held, Expired, and
    CallRefused (answered or withdrawn already, another part that is no approved substitute, on its way already)."""
    (container,) = lock_containers([container], Move.STORE, at)
    call = _lock(call)
    if call.issued is not None or call.withdrawn is not None:
        raise CallRefused(f"{call.key} is {call.state}.")
    _want_after(call, call.called, at)
    wanted = {call.part_id, *Substitute.objects.filter(line__child=call.part).values_list("part", flat=True)}
    if container.part_id not in wanted:
        raise CallRefused(
            f"{call.station.key} called for {call.part.key}; {container.key} holds {container.part.key}.",
            action=f"Take a container of {call.part.key}.",
        )
    other = Call.objects.filter(container=container, delivered=None, withdrawn=None).first()
    if other:
        raise CallRefused(f"{container.key} is on its way to {other.station.key}.", action="Take another container.")
    check_expiry(container.lot, at)
    container.store = f"on its way to {call.station.key}"[:60]
    container.save(update_fields=["store"])
    take_as_left(container, to_ticks(at), 0, by)
    call.container, call.issued, call.issued_by = container, to_ticks(at), by
    call.save(update_fields=["container", "issued", "issued_by"])
    return call


@moving
def deliver_call(*, call: Call, by: Person, at: datetime) -> Call:
    """The container that was issued has come to the station. Refuses with Held, CallRefused."""
    (container,) = lock_containers([call.container], Move.STORE, at) if call.container else (None,)
    call = _lock(call)
    if container is None or call.state != "on its way":
        raise CallRefused(f"{call.key} is {call.state}; nothing is on its way for it.")
    _want_after(call, call.issued, at)
    container.store = call.station.key
    container.save(update_fields=["store"])
    call.delivered, call.delivered_by = to_ticks(at), by
    call.save(update_fields=["delivered", "delivered_by"])
    return call


@operation()
def withdraw_call(*, call: Call, reason: str, by: Person, at: datetime) -> Call:
    """A call is no longer wanted; what is on its way for it goes back to a store. Refuses with CallRefused."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise CallRefused("Say why it is withdrawn.", action="Enter the reason.")
    call = _lock(call)
    if call.delivered is not None or call.withdrawn is not None:
        raise CallRefused(f"{call.key} is {call.state}.")
    _want_after(call, call.called if call.issued is None else call.issued, at)
    call.withdrawn, call.reason = to_ticks(at), reason
    call.save(update_fields=["withdrawn", "reason"])
    return call


def _want_after(call: Call, before: int | None, at: datetime) -> None:
    if to_ticks(at) < (before or 0):
        raise CallRefused(f"{call.key} was {call.state} only after that moment.", action="Give the right moment.")


def _lock(call: Call) -> Call:
    return Call.objects.select_for_update(of=("self",)).select_related("station", "part").get(pk=call.pk)
