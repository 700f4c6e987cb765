"""What a scan puts into a designator of a unit, and takes out of it."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.queries import list_fitting_parts
from trace.floor.admission import contents_of, list_missing_children
from trace.floor.models import Fitting, Packing, Salvage, Unit
from trace.floor.operations.passes import bound_by_scan, judge_by_designator
from trace.floor.queries import find_due_step, find_home, get_open_pass
from trace.holds.gate import check_moves, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.models import Axis, Container, Feed
from trace.material.operations.setups import WrongPart
from trace.material.operations.stock import make_remainder


class FittingRefused(Refusal):
    """Something can't be fitted or removed as asked."""

    code = "fitting-refused"
    action = "Check both labels and the designator, and scan again."


@moving
def fit_child(*, unit: Unit, designator: str, child: Unit, by: Person, at: datetime) -> Fitting:
    """A serialised child goes into a designator of a unit.

    Refuses with Held, WrongPart, FittingRefused: the child is unfinished, scrapped, packed, inside
    a station or fitted elsewhere, or the designator is taken.
    """
    unit, child = _lock_two(unit, child)
    inside = contents_of([unit, child])
    check_moves(Move.FIT, inside[unit.pk] + inside[child.pk])
    _want_place(unit, designator, child.part_id, child.key)
    if child.scrapped is not None:
        raise FittingRefused(f"{child.key} was scrapped.", action="Put it in the scrap cage.")
    if home := find_home(child):
        raise FittingRefused(f"{child.key} is on record inside {home.key}.", action=f"Remove it from {home.key} first.")
    if station := get_open_pass(child):
        raise FittingRefused(f"{child.key} is still inside {station.station.key}.")
    if due := find_due_step(child):
        raise FittingRefused(f"{child.key} is not finished: step {due} is due.", action="Take it there first.")
    for place, part, _ in list_missing_children([child])[child.pk]:
        raise FittingRefused(f"{child.key} still needs {part} at {place}.", action="Fit that first.")
    if Packing.objects.filter(unit=child, until=None).exists():
        raise FittingRefused(f"{child.key} is packed in a carton.")
    bound_by_scan([child], to_ticks(at), by)
    return _fit(unit, designator, by, at, holds=Fitting.Holds.CHILD, child=child, child_level=child.part.level)


@moving
def fit_part(
    *,
    unit: Unit,
    designator: str,
    container: Container | None = None,
    feed: Feed | None = None,
    position: tuple[int, int] | None = None,
    reason: str,
    by: Person,
    at: datetime,
) -> Fitting:
    """A part from a scanned container, or from a bin that is a feed, goes into a designator: what
    was drawn or fitted there before is out.

    It adds to the record and rewrites nothing. Refuses with Held, WrongPart, FittingRefused.
    """
    (unit,) = _lock(unit)
    if (container is None) == (feed is None):
        raise FittingRefused("Scan the container or the bin that the part came from.")
    if not reason.strip():
        raise FittingRefused("Say why the part is fitted.")
    check_moves(Move.FIT, [unit, container, container and container.lot, feed])
    if container:
        if container.gone is not None:
            raise FittingRefused(f"Container {container.key} has left the plant.")
        _want_place(unit, designator, container.part_id, container.key)
        return _fit(unit, designator, by, at, holds=Fitting.Holds.CONTAINER, container=container, reason=reason)
    assert feed is not None
    if position is None:
        if feed.axis.kind != Axis.Kind.CLOCK:
            raise FittingRefused(f"{feed.key} does not go by the clock: give its position.")
        position = (to_ticks(at), to_ticks(at))
    _want_place(unit, designator, None, feed.key)
    return _fit(
        unit,
        designator,
        by,
        at,
        holds=Fitting.Holds.FEED,
        feed=feed,
        first=position[0],
        last=position[1],
        reason=reason,
    )


@moving
def remove_part(
    *,
    unit: Unit,
    designator: str,
    reason: str,
    salvage: str = "",
    into: Container | None = None,
    by: Person,
    at: datetime,
) -> Fitting:
    """What occupies a designator is taken out; the place is empty until something is fitted.

    A lot-tracked part may be kept: in a new container labelled `salvage`, or `into` one; it is then
    derived from this designator. Refuses with Held, FittingRefused.
    """
    (unit,) = _lock(unit)
    if not reason.strip():
        raise FittingRefused("Say why it is removed.")
    if not unit.part.designators.filter(name=designator).exists():
        raise FittingRefused(f"{unit.part.key} has no designator {designator}.")
    standing = _standing(unit, designator)
    if standing and standing.holds == Fitting.Holds.NOTHING:
        raise FittingRefused(f"{designator} of {unit.key} is empty on record.")
    child = standing.child if standing else None
    check_moves(Move.REMOVE, [unit, child, into])
    if salvage or into:
        if child:
            raise FittingRefused(f"{child.key} has a serial; it needs no container.")
        line = unit.part.designators.get(name=designator).line
        result = into or make_remainder(salvage, [None], line.child, at)
        Salvage.objects.create(
            unit=unit, designator=designator, result=result, at=to_ticks(at), by=by,
            recorded=to_ticks(now()),
        )  # fmt: skip
        note(result)
    return _fit(unit, designator, by, at, holds=Fitting.Holds.NOTHING, reason=reason)


def _lock(*units: Unit) -> list[Unit]:
    return list(
        Unit.objects.select_for_update(of=("self",))
        .select_related("part")
        .filter(pk__in=[unit.pk for unit in units])
        .order_by("pk")
    )


def _lock_two(unit: Unit, child: Unit) -> tuple[Unit, Unit]:
    locked = {u.pk: u for u in _lock(unit, child)}
    return locked[unit.pk], locked[child.pk]


def _want_place(unit: Unit, designator: str, part_id: int | None, name: str) -> None:
    if unit.scrapped is not None:
        raise FittingRefused(f"{unit.key} was scrapped.", action="Put it in the scrap cage.")
    fitting_parts = list_fitting_parts(unit.part, designator)
    if not fitting_parts:
        raise FittingRefused(f"{unit.part.key} has no designator {designator}.")
    if part_id is not None and part_id not in fitting_parts:
        raise WrongPart(f"{name} does not belong at {designator} of {unit.part.key}.")
    standing = _standing(unit, designator)
    if standing and standing.holds == Fitting.Holds.CHILD:
        raise FittingRefused(f"{designator} of {unit.key} holds {standing.child}.", action="Remove that one first.")


def _standing(unit: Unit, designator: str) -> Fitting | None:
    return (
        Fitting.objects.select_related("child")
        .filter(unit=unit, designator=designator, until=None, superseded=None)
        .first()
    )


def _fit(unit: Unit, designator: str, by: Person, at: datetime, **content: object) -> Fitting:
    since, recorded = to_ticks(at), to_ticks(now())
    standing = _standing(unit, designator)
    if standing:
        if since < standing.since:
            raise FittingRefused(
                f"{designator} of {unit.key} was changed after that moment.",
                action="Give the right time, or have the later record corrected.",
            )
        if standing.child:
            note(standing.child)
        standing.until, standing.ended = since, recorded
        standing.save(update_fields=["until", "ended"])
    if content["holds"] != Fitting.Holds.CHILD:
        judge_by_designator([unit])
    return Fitting.objects.create(
        unit=unit,
        designator=designator,
        parent_level=unit.part.level,
        since=since,
        by=by,
        recorded=recorded,
        **content,
    )
