"""Releasing work orders, issuing serials, scrapping."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, datetime

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text, free_key, natural
from trace.core.models import Person
from trace.engineering.models import Part, Site
from trace.engineering.queries import zone_of
from trace.floor.admission import contents_of, places_of
from trace.floor.models import Pass, Unit, WorkOrder
from trace.floor.queries import get_open_pass, list_parents, lock_units
from trace.floor.scans import bound_by_scan, close_pass
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.models import Container
from trace.material.queries import list_not_used_up


class OrderRefused(Refusal):
    """An order or a unit can't be made or ended as asked."""

    code = "order-refused"
    action = "Check the order and the serials."


@operation()
def release_order(*, key: str, part: Part, site: Site, serials: Sequence[str], by: Person, at: datetime) -> WorkOrder:
    """Release an order and issue a serial for each unit of it.

    The order pins the revision, and with it all that is in it and its route. Refuses with OrderRefused a part that is
    not tracked by serial, is a draft or retired, or is not the revision in effect for that day and those serials; and
    serials in use.
    """
    if not part.serialised:
        raise OrderRefused(f"{part.key} is tracked by lot; there is nothing to issue serials for.")
    keys = [clean_key(serial) for serial in serials]
    if not keys:
        raise OrderRefused("An order is for one unit or more.")
    taken = {key for key, times in Counter(keys).items() if times > 1}
    taken |= set(Unit.objects.filter(key__in=keys).values_list("key", flat=True))
    if taken:
        raise OrderRefused(f"Serial {', '.join(sorted(taken)[:5])} is in use.")
    _check_effective(part, keys, at.astimezone(zone_of(site)).date())
    order = WorkOrder.objects.create(
        key=free_key(WorkOrder, key), part=part, site=site, quantity=len(keys), released=at
    )
    units = [Unit(key=serial, part=part, order=order, created=to_ticks(at)) for serial in keys]
    Unit.objects.bulk_create(units)
    note(*units)
    return order


def _check_effective(part: Part, serials: Sequence[str], day: date) -> None:
    """Refuse with OrderRefused a revision by which an order of that day may not build these serials."""
    if part.retired:
        raise OrderRefused(f"{part.key} is retired.", action="Order the part that came in its place.")
    if not part.level:
        return  # bought; it gets a serial here
    if not part.released:
        raise OrderRefused(f"{part.key} is a draft.", action="Release the revision first.")
    if not_yet := _not_in_effect(part, serials, day):
        raise OrderRefused(f"{part.key} is not in effect: {not_yet}.", action="Order the revision before it.")
    for later in Part.objects.filter(number=part.number, released__gt=part.released, retired=None):
        overtaken = [serial for serial in serials if not _not_in_effect(later, [serial], day)]
        if overtaken:
            raise OrderRefused(
                f"{', '.join(overtaken[:5])} {'is' if len(overtaken) == 1 else 'are'} to be built by {later.key}, "
                f"released on {later.released:%-d %B %Y}.",
                action=f"Order {later.key} for {'it' if len(overtaken) == 1 else 'them'}.",
            )


def _not_in_effect(part: Part, serials: Iterable[str], day: date) -> str:
    """Why a released revision is not in effect for some of these, or nothing."""
    if part.effective_from and day < part.effective_from:
        return f"orders from {part.effective_from:%-d %B %Y} on build it"
    if part.effective_serial and any(natural(serial) < natural(part.effective_serial) for serial in serials):
        return f"units from {part.effective_serial} on are built by it"
    if part.uses_up and (left := list_not_used_up(Container.objects.filter(part=part.uses_up))[:3]):
        return f"{part.uses_up.key} is used up first, and {', '.join(box.key for box in left)} is left"
    return ""


@moving
def scrap_unit(*, unit: Unit, reason: str, by: Person, at: datetime) -> Unit:
    """The unit is scrap. Children stay in it until they are removed with a record.

    Refuses with OrderRefused without a reason, twice, or when it or what it is inside of is packed or
    shipped; with Held, a hold on what is inside it or on what it is inside of too.
    """
    (unit,) = lock_units([unit], parents=True)
    if not clean_text(reason, 300, "The reason"):
        raise OrderRefused("Say why it is scrapped.")
    if unit.scrapped is not None:
        raise OrderRefused(f"{unit.key} was scrapped before.", action="Nothing needs doing.")
    chain = [unit, *list_parents([unit])[unit.pk]]
    check_moves(Move.SCRAP, [*chain, *contents_of([unit])[unit.pk]])
    places = places_of(chain)
    for holder in chain:
        where = places.get(holder.pk, {})
        if "shipped_to" in where:
            raise OrderRefused(f"{holder.key} is on record as shipped to {where['shipped_to']}.")
        if "packed_in" in where:
            raise OrderRefused(f"{holder.key} is packed in carton {where['packed_in']}.", action="Take it out first.")
    if inside := get_open_pass(unit):
        close_pass(inside, Pass.Outcome.ABORTED, max(to_ticks(at), inside.began), by)
        note(inside.station)
    bound_by_scan([unit], to_ticks(at), by)
    unit.scrapped, unit.scrap_recorded = to_ticks(at), to_ticks(now())
    unit.save(update_fields=["scrapped", "scrap_recorded"])
    return unit
