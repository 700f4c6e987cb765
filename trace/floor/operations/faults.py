"""Troubleshooting: what is found wrong with a unit, what caused it, what is done about it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import CauseCode, FaultCode, Station, Step
from trace.floor.admission import contents_of, places_of
from trace.floor.designs import get_design
from trace.floor.faults import keep_open
from trace.floor.models import Diagnosis, Fault, Fitting, Pass, Repair, Unit
from trace.floor.operations.corrections import want_standing
from trace.floor.operations.feeds import lock_container
from trace.floor.operations.fittings import keep_removed, put_children, put_part
from trace.floor.queries import find_due_choices, lock_units
from trace.floor.returning import find_last_test, list_from, send_back, take_back
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.models import Container

MOST_MINUTES, PLACES = Decimal(10_000), 2

ELSEWHERE = {
    "inside_at": ("is inside {}", "Scan it out there first."),
    "fitted_in": ("is fitted in {}", "Remove it with a record first, or record the fault of {}."),
    "shipped_to": ("is on record as shipped to {}", "Call the quality engineer: it should not be here."),
    "packed_in": ("is packed in carton {}", "Take it out with a record first."),
}
"""Where a unit is not worked on at repair: what is said of it, and what to do."""


class FaultRefused(Refusal):
    """A fault, its cause or its repair can't be recorded so."""

    code = "fault-refused"
    action = "Correct what is named, and record it again."


@operation()
def record_fault(
    *,
    unit: Unit,
    fault_code: FaultCode,
    designator: str = "",
    remark: str = "",
    station: Station | None = None,
    by: Person,
    at: datetime,
) -> Fault:
    """Something is wrong with a unit: until it is mended, or no fault is found, the unit goes on at no step.

    It is of the last visit that the unit made by then; `station` says where it was found, where that was another.
    Refuses with FaultRefused a code that is retired, a designator that the unit's part does not have, a unit that was
    scrapped by then, was made later or was at no station yet, and the same fault again while the one found before is
    not answered; with BadText.
    """
    (unit,) = lock_units([unit])
    moment = to_ticks(at)
    designator = _designator(unit, designator)
    if fault_code.retired:
        raise FaultRefused(f"Fault code {fault_code.key} is retired.", action="Choose one that is in use.")
    if unit.scrapped is not None and unit.scrapped <= moment:
        raise FaultRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    if moment < unit.created:
        raise FaultRefused(f"{unit.key} was made after that moment.", action="Give the right moment.")
    visit = find_visit(unit, moment, station)
    where = station or (visit.station if visit else None)
    if where is None:
        raise FaultRefused(f"{unit.key} was at no station by then.", action="Say where it was found.")
    same = Fault.objects.filter(unit=unit, code=fault_code, designator=designator, superseded=None)
    if same.filter(found=moment).exists() or keep_open(same.filter(found__lte=moment)).exists():
        raise FaultRefused(
            f"{unit.key}: this fault is on record already.",
            action="Record what was done about it; for another one of its kind name the designator.",
        )
    note(where)
    return Fault.objects.create(
        unit=unit,
        code=fault_code,
        designator=designator,
        note=clean_text(remark, 300, "The remark"),
        step_id=visit.step_id if visit else None,
        station=where,
        found=moment,
        by=by,
        recorded=to_ticks(now()),
    )


def find_visit(unit: Unit, moment: int, station: Station | None = None) -> Pass | None:
    """The last visit that a unit had begun by a moment, at a station or anywhere."""
    visits = Pass.objects.filter(unit=unit, began__lte=moment, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    visits = visits.filter(station=station) if station else visits
    return visits.select_related("station", "step").order_by("began", "pk").last()


@operation()
def diagnose_fault(
    *, fault: Fault, cause: CauseCode, step: Step | None = None, remark: str = "", by: Person, at: datetime
) -> Diagnosis:
    """What caused a fault, and at which `step` of the unit's route, where that is known. A later diagnosis supersedes
    an earlier one. Refuses with FaultRefused a cause that is retired, a step that is not on the unit's route, and a
    fault that was voided, or found after that moment; with BadText."""
    (unit,) = lock_units([fault.unit])
    (fault,) = _want_faults(unit, [fault], to_ticks(at))
    if cause.retired:
        raise FaultRefused(f"Cause code {cause.key} is retired.", action="Choose one that is in use.")
    if step:
        _want_on_route(unit, step)
    recorded = to_ticks(now())
    Diagnosis.objects.filter(fault=fault, superseded=None).update(superseded=recorded)
    note(unit)
    return Diagnosis.objects.create(
        fault=fault,
        cause=cause,
        step=step,
        note=clean_text(remark, 300, "The remark"),
        at=to_ticks(at),
        by=by,
        recorded=recorded,
    )


@moving
def record_repair(
    *,
    unit: Unit,
    faults: Sequence[Fault],
    action: Repair.Action,
    designator: str = "",
    container: Container | None = None,
    child: Unit | None = None,
    keep: str = "",
    minutes: Decimal = Decimal(0),
    returns: Step | None = None,
    station: Station | None = None,
    remark: str = "",
    by: Person,
    at: datetime,
) -> Repair:
    """What was done about faults of a unit: they are answered, and the unit goes on where it is due, or again from the
    step `returns` on. What it had passed from there on is due again; what it drew stands.

    Where a part is replaced, it is of the `container` that was scanned, or the serialised `child`; what was there is
    out, and is kept in a new container labelled `keep` where it is a part that is to be looked at; a serialised child
    that comes out is due again from the last step of its route at which something is measured or judged. All of it is
    on record together or not at all.
    `station` is the repair station; without one it was done where the faults were found.
    Refuses with FaultRefused no fault, another unit's, or one that was found later; a station at which nothing is
    mended; a unit that was scrapped, or is inside a station, fitted, packed or shipped; a board in a panel that would
    go back alone; a replaced part without
    its designator or source, or a source of what was not replaced; a step that is not on the route, or that the unit
    did not come to; minutes that can't be. With Held, by a hold on
    what is in it or on `station` too, and with what `fit_part`, `fit_child`, `remove_part` refuse.
    """
    action, moment = Repair.Action(action), to_ticks(at)
    container = container and lock_container(container)
    designator, keep = _designator(unit, designator), keep.strip()
    out = _find_there(unit, designator) if child else None
    locked = {one.pk: one for one in lock_units([one for one in (unit, child, out) if one], parents=True)}
    unit = locked[unit.pk]
    faults = _want_faults(unit, faults, moment)
    if not faults:
        raise FaultRefused("Say which fault it answers.", action="Record what was found first.")
    if station and not station.repairs:
        raise FaultRefused(f"{station.key} is no repair station.", action="Take the unit to one.")
    if not minutes.is_finite() or not 0 <= minutes < MOST_MINUTES or round(minutes, PLACES) != minutes:
        raise FaultRefused(f"{minutes} is no number of minutes.", action="Give them with two decimals at most.")
    again = _want_reached(unit, returns) if returns else []
    check_at_hand(unit)
    _want_alone(unit, bool(again))
    check_moves(Move.REPAIR, [station, *contents_of([unit])[unit.pk]])
    replaced = action == Repair.Action.REPLACED
    if replaced and (not designator or (container is None) == (child is None)):
        raise FaultRefused("Say which designator it was, and scan the part or the unit that is in its place now.")
    if not replaced and (container or child or keep):
        raise FaultRefused(f"Nothing is replaced where it is “{action.label}”.", action="Say that a part was replaced.")
    reason = f"repair: {', '.join(fault.words for fault in faults)}"[:300]
    if keep or child:
        keep_removed(unit, designator, keep, by=by, at=at)
    if container:
        put_part(unit, designator, container, reason=reason, by=by, at=at)
    if child:
        if out != _find_there(unit, designator):
            raise FaultRefused(f"Somebody is changing {designator} of {unit.key}.", action="Try again.")
        put_children([(unit, designator, locked[child.pk])], by, at, instead=True)
        if out and (test := find_last_test(out)):
            send_back(out, test, moment)
    if again and returns:
        send_back(unit, returns, moment)
    note(*([station] if station else [fault.station for fault in faults]))
    repair = Repair.objects.create(
        unit=unit,
        action=action,
        designator=designator,
        minutes=minutes,
        note=clean_text(remark, 300, "The remark"),
        station=station,
        returns=returns,
        at=moment,
        by=by,
        recorded=to_ticks(now()),
    )
    repair.faults.set(faults)
    return repair


@operation()
def void_fault(*, fault: Fault, reason: str, by: Person, at: datetime) -> Fault:
    """There was no such fault. Refuses with CorrectionRefused without a reason, and when it was superseded before; with
    FaultRefused while a repair of it is on record."""
    (unit,) = lock_units([fault.unit])
    fault = Fault.objects.get(pk=fault.pk)
    want_standing(fault.superseded, reason)
    if repair := fault.repairs.filter(superseded=None).first():
        raise FaultRefused(f"It was answered: {repair.get_action_display()}.", action="Void that repair first.")
    recorded = to_ticks(now())
    Diagnosis.objects.filter(fault=fault, superseded=None).update(superseded=recorded)
    fault.superseded = recorded
    fault.save(update_fields=["superseded"])
    note(unit, fault.station, reason=reason)
    return fault


@moving
def void_repair(*, repair: Repair, reason: str, by: Person, at: datetime) -> Repair:
    """Nothing of the kind was done: its faults are open again, unless another repair answers them, and what was due
    again by it alone has been passed, by a child that came out too. A part that was put in is on record still: void
    that by itself.

    Refuses with CorrectionRefused without a reason, and when it was superseded before."""
    (unit,) = lock_units([repair.unit])
    repair = Repair.objects.get(pk=repair.pk)
    want_standing(repair.superseded, reason)
    repair.superseded = to_ticks(now())
    repair.save(update_fields=["superseded"])
    take_back(unit, repair.at)
    replaced = Fitting.objects.filter(unit=unit, designator=repair.designator, until=repair.at, child__isnull=False)
    if repair.action == Repair.Action.REPLACED:
        for out in lock_units(Unit.objects.filter(pk__in=replaced.values("child"))):
            take_back(out, repair.at)
    answered = repair.faults.select_related("station")
    note(unit, *([repair.station] if repair.station else [fault.station for fault in answered]), reason=reason)
    return repair


def _find_there(unit: Unit, designator: str) -> Unit | None:
    """The serialised child at a designator."""
    standing = Fitting.objects.filter(unit=unit, designator=designator, until=None, superseded=None)
    there = standing.select_related("child__part").first()
    return there.child if there else None


def _designator(unit: Unit, text: str) -> str:
    """A designator of what the unit is built by; empty where none is said."""
    name = clean_text(text, 20, "A designator")
    if not name:
        return ""
    design = get_design(unit)
    found = design.designators.filter(name__iexact=name).first()
    if found is None:
        raise FaultRefused(f"{design.key} has no designator {name}.", action="Check it on the drawing.")
    return str(found.name)


def _want_faults(unit: Unit, faults: Sequence[Fault], moment: int) -> list[Fault]:
    """These faults as they stand: of this unit, not voided, found by a moment."""
    found = list(
        Fault.objects.filter(pk__in=[fault.pk for fault in faults]).select_related("code", "station").order_by("pk")
    )
    for fault in found:
        if fault.unit_id != unit.pk:
            raise FaultRefused(f"“{fault.words}” was not found in {unit.key}.", action="Choose the unit’s own faults.")
        if fault.superseded is not None:
            raise FaultRefused(f"“{fault.words}” was voided.", action="Open the unit again.")
        if fault.found > moment:
            raise FaultRefused(f"“{fault.words}” was found after that moment.", action="Give the right moment.")
    return found


def _want_on_route(unit: Unit, step: Step) -> None:
    if step.part_id != unit.part_id:
        raise FaultRefused(f"Step {step} is not on the route of {unit.key}.", action="Choose a step of its route.")


def _want_reached(unit: Unit, step: Step) -> list[Pass]:
    """The passes that sending a unit back to a step makes due again. Refuses what it did not come to yet."""
    _want_on_route(unit, step)
    route = list(unit.part.steps.order_by("number"))
    due = find_due_choices([unit]).get(unit.pk, [])
    if due and step not in due and due[0] not in list_from(route, step):
        raise FaultRefused(
            f"{unit.key} did not come to step {step} yet: step {due[0]} is due.",
            action="Send it back to a step that it has come to.",
        )
    steps = list_from(route, step)
    return list(Pass.objects.filter(unit=unit, step__in=steps, outcome=Pass.Outcome.PASSED, superseded=None))


def check_at_hand(unit: Unit) -> None:
    """A unit is where it can be mended. Refuses with FaultRefused one that was scrapped, is inside a station, fitted,
    packed or shipped."""
    if unit.scrapped is not None:
        raise FaultRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    where = places_of([unit]).get(unit.pk, {})
    for place, (message, action) in ELSEWHERE.items():
        if name := where.get(place):
            raise FaultRefused(f"{unit.key} {message.format(name)}.", action=action.format(name))


def _want_alone(unit: Unit, goes_back: bool) -> None:
    """No board of a panel goes back by itself."""
    if goes_back and (panel := places_of([unit]).get(unit.pk, {}).get("in_panel")):
        raise FaultRefused(
            f"{unit.key} is in panel {panel}, whose boards go together: it can't go back alone.",
            action="Part the panel with a record first, or let it go on where the panel is due.",
        )
