"""One serialised child in the place of another."""

from __future__ import annotations

from datetime import datetime

from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.models import Fitting, Unit
from trace.floor.operations.fittings import (
    FittingRefused,
    clean_designator,
    put_children,
    standing_at,
    take_part,
)
from trace.floor.queries import lock_units
from trace.holds.gate import moving


@moving
def swap_child(
    *, unit: Unit, designator: str, child: Unit, reason: str, goes_to: str, by: Person, at: datetime
) -> Fitting:
    """A serialised child goes into a designator in place of the one there, which is taken out and goes to where
    `goes_to` says: both or neither.

    Refuses as remove_part and fit_child do, and with FittingRefused without where it goes, and the child that is there.
    """
    designator, reason = clean_designator(designator), clean_text(reason, 300, "The reason")
    if not reason:
        raise FittingRefused("Say why it is removed.")
    if not clean_text(goes_to, 60, "Where it goes"):
        raise FittingRefused("Say where the one that comes out goes.", action="Scan the station, or name the cage.")
    there = standing_at(unit, designator)
    lock_units([one for one in (unit, child, there and there.child) if one], parents=True)
    if there and there.child == child:
        raise FittingRefused(f"{child.key} is what {designator} of {unit.key} holds.", action="Scan the new one.")
    take_part(unit, designator, reason, goes_to=goes_to, by=by, at=at)
    return put_children([(unit, designator, child)], by, at)[0]
