"""What a look inside a unit finds: a child that is not where the record has it."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import now, to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import BomLine
from trace.engineering.queries import list_fitting_parts
from trace.floor.admission import contents_of, places_of
from trace.floor.designs import get_design, list_designs
from trace.floor.models import Fitting, LooseSighting, Unit
from trace.floor.operations.fittings import FittingRefused
from trace.floor.queries import find_last_known, lock_units
from trace.floor.scans import bound_by_scan
from trace.holds.gate import find_holds, moving
from trace.holds.rules import Move
from trace.ledger.operation import note
from trace.material.operations.setups import WrongPart


@moving
def find_child(*, unit: Unit, designator: str, child: Unit, by: Person, at: datetime) -> Fitting:
    """A unit was opened, and this child was scanned at a designator of it.

    Where the record has it, that is a sighting. Where not, a move went unrecorded: since the child was
    last surely seen, and what was there too, either may have been there, or another. What it was
    recorded in is left with a child that is not known; what was recorded here is gone, nobody knows
    where to. It is recorded even where a hold refuses it: the event says so. Refuses with WrongPart,
    and FittingRefused when the child is on record in a carton, inside a station or elsewhere after that
    moment, or the place was changed after it.
    """
    designator, moment = clean_text(designator, 20, "A designator"), to_ticks(at)
    unit, child = _lock(unit, child)
    designs = list_designs([unit, child])
    parts = list_fitting_parts(designs[unit.pk], designator)
    if not parts:
        raise FittingRefused(f"{unit.part.key} has no designator {designator}.")
    if designs[child.pk] not in parts or child.part.level >= unit.part.level:
        raise WrongPart(
            f"{child.key} does not belong at {designator} of {unit.part.key}.",
            action="Take it out; record that the place was found empty, and the unit found loose.",
        )
    standing, home = _at(unit, designator), _home(child)
    _want_after(moment, standing, unit)
    known = _last_seen(child, moment)
    if find_holds(Move.FIT, [unit, *contents_of([child])[child.pk]]):
        note(found_though="held")
    since = _since(standing, unit)
    if standing and home and standing.pk == home.pk:
        _end(standing, moment, gone=False)
        begun = _begin(unit, designator, moment, by, child=child, reason="seen there")
    else:
        _leave_unknown(home, child, f"found in {unit.key} at {designator}", moment, by)
        _empty(standing, unit, designator, f"{child.key} was found there", moment, by)
        begun = _begin(unit, designator, moment, by, child=child, earliest=max(known, since), reason=_was_in(home))
    bound_by_scan([child], moment, by)
    return begun


@moving
def find_empty(*, unit: Unit, designator: str, by: Person, at: datetime) -> Fitting:
    """A unit was opened, and nothing is at a designator that should hold a child.

    The child on record is gone since it was last surely there, nobody knows where to. Refuses with
    FittingRefused when the place holds no serialised child, is empty on record or was changed later.
    """
    designator, moment = clean_text(designator, 20, "A designator"), to_ticks(at)
    (unit,) = lock_units([unit])
    if not BomLine.objects.filter(
        designators__parent=get_design(unit), designators__name=designator, child__serialised=True
    ).exists():
        raise FittingRefused(f"{unit.part.key} has no designator {designator} that holds a unit.")
    standing = _at(unit, designator)
    if standing is None or standing.holds == Fitting.Holds.NOTHING:
        raise FittingRefused(f"{designator} of {unit.key} is empty on record.", action="Nothing needs doing.")
    _want_after(moment, standing, unit)
    since = _since(standing, unit)
    _empty(standing, unit, designator, "found empty", moment, by)
    return _begin(unit, designator, moment, by, earliest=since, reason="found empty")


@moving
def find_loose(*, child: Unit, by: Person, at: datetime) -> LooseSighting:
    """A unit was scanned on a bench or in a rack, fitted in nothing.

    What it was recorded in is left with a child that is not known. Refuses with FittingRefused when it
    is on record in a carton, inside a station or elsewhere after that moment.
    """
    return see_loose(child, to_ticks(at), by)


def see_loose(child: Unit, moment: int, by: Person) -> LooseSighting:
    """What `find_loose` does, for an operation that finds a unit so."""
    (child,) = _lock(child)
    home = _home(child)
    _last_seen(child, moment)
    _leave_unknown(home, child, "found loose", moment, by)
    bound_by_scan([child], moment, by)
    return LooseSighting.objects.create(unit=child, at=moment, by=by, recorded=to_ticks(now()))


def _lock(*units: Unit) -> list[Unit]:
    """Locked, with what the last of them is recorded in."""
    home = _home(units[-1])
    locked = {unit.pk: unit for unit in lock_units([*units, *([home.unit] if home else [])])}
    again = _home(units[-1])
    if again and again.unit_id not in locked:
        raise FittingRefused(f"{units[-1].key} is being fitted just now.")
    return [locked[unit.pk] for unit in units]


def _at(unit: Unit, designator: str) -> Fitting | None:
    standing = Fitting.objects.filter(unit=unit, designator=designator, until=None, superseded=None)
    return standing.select_related("child").first()


def _home(child: Unit) -> Fitting | None:
    return Fitting.objects.filter(child=child, until=None, superseded=None).select_related("unit__part").first()


def _want_after(moment: int, standing: Fitting | None, unit: Unit) -> None:
    if moment < (standing.since if standing else unit.created):
        raise FittingRefused(
            f"{unit.key} was changed or made after that moment.",
            action="Give the right time, or have the later record corrected.",
        )


def _last_seen(child: Unit, moment: int) -> int:
    """When the child was last surely somewhere."""
    where = places_of([child]).get(child.pk, {})
    if "packed_in" in where:
        raise FittingRefused(
            f"{child.key} is on record in carton {where['packed_in']}.", action="Take it out of there with a record."
        )
    if "inside_at" in where:
        raise FittingRefused(f"{child.key} is still inside {where['inside_at']}.", action="Scan it out there first.")
    known = find_last_known([child])[child.pk]
    if moment < known:
        raise FittingRefused(
            f"{child.key} was on record elsewhere after that moment.",
            action="Give the right time, or have the later record corrected.",
        )
    return known


def _since(standing: Fitting | None, unit: Unit) -> int:
    """Since when what is found at a place may have been there: when what was there before was last seen;
    where that was not known, when it may have come."""
    if standing is None:
        return unit.created
    if standing.holds == Fitting.Holds.UNKNOWN and standing.earliest is not None:
        return standing.earliest
    return standing.since - standing.error


def _leave_unknown(home: Fitting | None, child: Unit, how: str, moment: int, by: Person) -> None:
    """The child is not where it was recorded: what is there now, nobody knows."""
    if home:
        note(home.unit)
        _end(home, moment, gone=True)
        _begin(
            home.unit, home.designator, moment, by,
            unknown=True, earliest=home.since, reason=f"{child.key} was on record here, and was {how}",
        )  # fmt: skip


def _empty(standing: Fitting | None, unit: Unit, designator: str, reason: str, moment: int, by: Person) -> None:
    """What the record has at a place is not there, nobody knows since when; meanwhile another may have been."""
    if standing and standing.child:
        note(standing.child)
    if standing:
        _end(standing, moment, gone=standing.holds != Fitting.Holds.UNKNOWN)
    if standing is None or standing.holds != Fitting.Holds.UNKNOWN:
        since = _since(standing, unit)
        if since < moment:
            _begin(unit, designator, moment, by, unknown=True, earliest=since, until=moment, reason=reason)


def _end(fitting: Fitting, moment: int, *, gone: bool) -> None:
    fitting.until, fitting.ended = moment, to_ticks(now())
    fitting.doubted = min(fitting.since + fitting.error, moment) if gone else None
    fitting.save(update_fields=["until", "ended", "doubted"])


def _begin(
    unit: Unit,
    designator: str,
    moment: int,
    by: Person,
    *,
    child: Unit | None = None,
    unknown: bool = False,
    earliest: int | None = None,
    until: int | None = None,
    reason: str,
) -> Fitting:
    recorded = to_ticks(now())
    holds = Fitting.Holds.UNKNOWN if unknown else Fitting.Holds.CHILD if child else Fitting.Holds.NOTHING
    return Fitting.objects.create(
        unit=unit,
        designator=designator,
        holds=holds,
        child=child,
        parent_level=unit.part.level,
        child_level=child.part.level if child else None,
        since=moment,
        earliest=earliest if earliest is not None and earliest < moment else None,
        until=until,
        ended=None if until is None else recorded,
        reason=reason,
        by=by,
        recorded=recorded,
    )


def _was_in(home: Fitting | None) -> str:
    return f"found there; on record in {home.unit.key} at {home.designator}" if home else "found there"
