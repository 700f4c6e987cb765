"""Whether lots may be used: released, or let by a deviation. For use inside operations, after the locks on units."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db.models import F

from trace.approvals.models import Deviation
from trace.approvals.queries import lock_deviations
from trace.approvals.rules import covers
from trace.core.clock import to_ticks
from trace.core.errors import Refusal
from trace.engineering.models import Station
from trace.floor.deviating import about_lots
from trace.floor.rules import NOT_RELEASED, say_unreleased
from trace.ledger.operation import note
from trace.material.inspecting import list_statuses_at, list_unreleased
from trace.material.models import Lot


class LotNotReleased(Refusal):
    """A lot is quarantined until it is inspected, or it was rejected."""

    code = NOT_RELEASED
    action = (
        "Put it back, marked, and fetch a lot that is released. It is used earlier only under a deviation for it or its"
        " part, which a quality engineer has approved."
    )


def check_released(
    lots: Iterable[Lot], at: datetime, *, station: Station | None = None, counts: bool = False
) -> Deviation | None:
    """Refuse with LotNotReleased lots that were not released at a moment; the deviation that lets them by, if any was
    needed. `counts`: it makes use of one, as a unit does."""
    found = list_unreleased(lots, to_ticks(at))
    if not found:
        return None
    keys = [(lot.key, lot.part.key) for lot in found]
    about = about_lots(keys, station.key if station else "")
    deviation = next(
        (one for one in lock_deviations({NOT_RELEASED}, at) if NOT_RELEASED in one.rules and covers(one.scope, about)),
        None,
    )
    statuses = list_statuses_at(found, to_ticks(at))
    sentence = say_unreleased((lot.key, lot.part.key, statuses[lot.pk]) for lot in found)
    if deviation is None:
        raise LotNotReleased(f"{sentence}.", lots=[lot.key for lot in found])
    if counts:
        Deviation.objects.filter(pk=deviation.pk).update(used=F("used") + 1)
    note(deviation, *found, used_early=[NOT_RELEASED, deviation.key, f"{sentence}."])
    return deviation
