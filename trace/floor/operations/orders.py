"""Releasing work orders, issuing serials, scrapping."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from types import MappingProxyType

from trace.core.clock import from_ticks, now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text, free_key, natural, read_label
from trace.core.models import Person
from trace.engineering.models import Part, SerialRule, Site
from trace.engineering.operations.common import changing
from trace.engineering.queries import zone_of
from trace.engineering.rules import make_serial
from trace.floor.admission import contents_of, places_of
from trace.floor.carrying import leave_racks
from trace.floor.models import Fitting, Pass, Unit, WorkOrder
from trace.floor.naming import find_taken
from trace.floor.operations.feeds import lock_container
from trace.floor.operations.fittings import take_part
from trace.floor.queries import get_open_pass, list_parents, lock_units
from trace.floor.returning import find_last_test, send_back
from trace.floor.scans import bound_by_scan, close_pass
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.models import Container
from trace.material.queries import list_not_used_up

MOST_UNITS = 10_000
"""Of one order."""


class OrderRefused(Refusal):
    """An order or a unit can't be made or ended as asked."""

    code = "order-refused"
    action = "Check the order and the serials."


@changing
def release_order(
    *,
    key: str,
    part: Part,
    site: Site,
    serials: Sequence[str] = (),
    quantity: int | None = None,
    due: date | None = None,
    by: Person,
    at: datetime,
) -> WorkOrder:
    """Release an order and issue a serial for each unit of it: the `serials` given, or as many as the `quantity` by the
    serial rule of the part's number, in which those that are taken are passed over. `due` is the day by which its
    units are to be finished.

    The order pins the revision, and with it all that is in it and its route. Orders are released one at a time, so
    that no serial is issued twice. Refuses with OrderRefused a part that is not tracked by serial, is a draft, retired
    or released only later, or is not the revision in effect for that day and those serials; serials in use; a quantity
    without a serial rule, beyond its digits or beside serials; and a day that is over.
    """
    if not part.serialised:
        raise OrderRefused(f"{part.key} is tracked by lot; there is nothing to issue serials for.")
    day = at.astimezone(zone_of(site)).date()
    if due and due < day:
        raise OrderRefused(f"It would be due on {due:%-d %B %Y}, before it is released.", action="Check the day.")
    if quantity is None:
        if not serials:
            raise OrderRefused("An order is for one unit or more.")
        _want_few(len(serials))
        keys = [clean_key(serial) for serial in serials]
    elif serials:
        raise OrderRefused(f"It has serials and a quantity of {quantity} beside them.", action="Give one or the other.")
    else:
        keys = _issue_serials(part, quantity, day)
    taken = {key for key, times in Counter(keys).items() if times > 1} | find_taken(keys)
    if taken:
        raise OrderRefused(f"Serial {', '.join(sorted(taken)[:5])} is in use.")
    _check_effective(part, keys, at, day)
    order = WorkOrder.objects.create(
        key=free_key(WorkOrder, key), part=part, site=site, quantity=len(keys), released=at, due=due
    )
    units = [Unit(key=serial, part=part, order=order, created=to_ticks(at)) for serial in keys]
    Unit.objects.bulk_create(units)
    note(*units)
    return order


@operation()
def close_order(*, order: WorkOrder, reason: str, by: Person, at: datetime) -> WorkOrder:
    """None of its units is begun any more; those on their way may be finished, and all keep their serials. Refuses with
    OrderRefused without a reason, one that is closed, and a moment before its release."""
    order = _lock_order(order)
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise OrderRefused("Say why it is closed.", action="Give the reason in a sentence.")
    _want_open(order)
    if at < order.released:
        raise OrderRefused(f"{order.key} was released after that moment.", action="Give the right moment.")
    order.closed, order.reason = to_ticks(at), reason
    order.save(update_fields=["closed", "reason"])
    return order


@operation()
def reopen_order(*, order: WorkOrder, reason: str, by: Person, at: datetime) -> WorkOrder:
    """It was closed by mistake, or is wanted again: its units may be begun. Refuses with OrderRefused without a reason,
    and one that is not closed."""
    order = _lock_order(order)
    if not clean_text(reason, 300, "The reason"):
        raise OrderRefused("Say why it is open again.", action="Give the reason in a sentence.")
    if order.closed is None:
        raise OrderRefused(f"{order.key} is open.", action="Nothing needs doing.")
    order.closed, order.reason = None, ""
    order.save(update_fields=["closed", "reason"])
    return order


@operation()
def reschedule_order(*, order: WorkOrder, due: date | None = None, by: Person, at: datetime) -> WorkOrder:
    """Its units are to be finished by another day; without one, by none. Refuses with OrderRefused one that is closed,
    the day that it has, and one that is over."""
    order = _lock_order(order)
    _want_open(order)
    if due == order.due:
        raise OrderRefused(f"{order.key} has that day already.", action="Nothing needs doing.")
    if due and due < at.astimezone(zone_of(order.site)).date():
        raise OrderRefused(f"{due:%-d %B %Y} is over.", action="Check the day.")
    note(before=order.due)
    order.due = due
    order.save(update_fields=["due"])
    return order


def _lock_order(order: WorkOrder) -> WorkOrder:
    return WorkOrder.objects.select_for_update(of=("self",)).select_related("site", "part").get(pk=order.pk)


def _want_open(order: WorkOrder) -> None:
    if order.closed is not None:
        day = f"{from_ticks(order.closed):%Y-%m-%d %H:%M} UTC"
        raise OrderRefused(f"{order.key} was closed on {day}: {order.reason}", action="Open it again first.")


def _want_few(units: int) -> None:
    if not 0 < units <= MOST_UNITS:
        raise OrderRefused(f"An order is for 1 to {MOST_UNITS} units, not {units}.", action="Release several.")


def _issue_serials(part: Part, quantity: int, day: date) -> list[str]:
    """So many serials by the part's rule, which goes on behind them."""
    rule = SerialRule.objects.filter(number=part.number).first()
    if rule is None:
        raise OrderRefused(
            f"{part.number} has no serial rule.", action="Give the serials, or let a planner set a rule for them."
        )
    _want_few(quantity)
    issued: list[str] = []
    passed_over: set[str] = set()
    while len(issued) < quantity:
        upto = rule.next_number + quantity - len(issued)
        if upto > 10**rule.digits:
            last = make_serial(rule.prefix, rule.digits, 10**rule.digits - 1, day)
            raise OrderRefused(
                f"The serials of {part.number} end at {last}.",
                action="Let a planner give its serial rule more digits, or another prefix.",
            )
        tried = [make_serial(rule.prefix, rule.digits, number, day) for number in range(rule.next_number, upto)]
        taken = find_taken(tried)
        passed_over |= taken
        issued += [serial for serial in tried if serial not in taken]
        rule.next_number = upto
    rule.save(update_fields=["next_number"])
    if passed_over:
        note(passed_over=sorted(passed_over))
    return issued


def _check_effective(part: Part, serials: Sequence[str], at: datetime, day: date) -> None:
    """Refuse with OrderRefused a revision by which an order of that day may not build these serials."""
    if part.retired:
        raise OrderRefused(f"{part.key} is retired.", action="Order the part that came in its place.")
    if not part.level:
        return  # bought; it gets a serial here
    if not part.released:
        raise OrderRefused(f"{part.key} is a draft.", action="Release the revision first.")
    if part.released > at:
        raise OrderRefused(
            f"{part.key} was released on {part.released:%Y-%m-%d %H:%M} UTC, after that moment.",
            action="Give the right moment, or order the revision before it.",
        )
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
def scrap_unit(
    *, unit: Unit, reason: str, salvage: Mapping[str, str] = MappingProxyType({}), by: Person, at: datetime
) -> Unit:
    """The unit is scrap. What is not salvaged stays in it until it is removed with a record.

    `salvage` is what is taken out and kept, by designator: of a part the label of its container, a new one or one that
    is there; of a serialised child an empty text: it is due again from the last step of its route at which something is
    measured or judged. Refuses with OrderRefused without a reason, twice, or when it or what it is inside of is packed
    or shipped; with Held, a hold on what is scrapped with it or on what it is inside of too, or on a child that is kept
    and may not be removed; with what `remove_part` refuses.
    """
    labels = {name.strip(): label and read_label(label) for name, label in salvage.items()}
    bags = {bag.key: bag for bag in Container.objects.filter(key__in=labels.values()).order_by("pk")}
    bags = {key: lock_container(bag) for key, bag in bags.items()}
    children = _find_children(unit, labels)
    locked = {one.pk: one for one in lock_units([unit, *children.values()], parents=True)}
    unit = locked[unit.pk]
    if children != _find_children(unit, labels):
        raise OrderRefused(f"Somebody is changing what is in {unit.key}.", action="Look at it, and try again.")
    if not clean_text(reason, 300, "The reason"):
        raise OrderRefused("Say why it is scrapped.")
    if unit.scrapped is not None:
        raise OrderRefused(f"{unit.key} was scrapped before.", action="Nothing needs doing.")
    chain = [unit, *list_parents([unit])[unit.pk]]
    kept = {one for inside in contents_of([*children.values()]).values() for one in inside}
    check_moves(Move.SCRAP, [*chain, *(one for one in contents_of([unit])[unit.pk] if one not in kept)])
    places = places_of(chain)
    for holder in chain:
        where = places.get(holder.pk, {})
        if "shipped_to" in where:
            raise OrderRefused(f"{holder.key} is on record as shipped to {where['shipped_to']}.")
        if "packed_in" in where:
            raise OrderRefused(f"{holder.key} is packed in carton {where['packed_in']}.", action="Take it out first.")
    if entry := get_open_pass(unit):
        close_pass(entry, Pass.Outcome.ABORTED, max(to_ticks(at), entry.began), by)
        note(entry.station)
    for name, label in labels.items():
        if name in children and (test := find_last_test(children[name])):
            send_back(children[name], test, to_ticks(at))
        elif name not in children and not label:
            raise OrderRefused(
                f"{name} of {unit.key} holds no unit.", action="Say in which container its part is kept."
            )
        bag = bags.get(label)
        take_part(unit, name, f"salvaged: {reason}"[:300], "" if bag else label, bag, by=by, at=at)
        if label and bag is None:
            bags[label] = Container.objects.get(key=label)
    bound_by_scan([unit], to_ticks(at), by)
    leave_racks([unit], at)
    unit.scrapped, unit.scrap_recorded = to_ticks(at), to_ticks(now())
    unit.save(update_fields=["scrapped", "scrap_recorded"])
    return unit


def _find_children(unit: Unit, designators: Iterable[str]) -> dict[str, Unit]:
    """The units that are inside it at these designators."""
    inside = Fitting.objects.filter(
        unit=unit, designator__in=designators, child__isnull=False, until=None, superseded=None
    )
    return {one.designator: one.child for one in inside.select_related("child__part") if one.child}
