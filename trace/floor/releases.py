"""Whether lots may be used: released, or let by a deviation. For use inside operations, after the locks on units."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import F, OuterRef, QuerySet, Subquery

from trace.approvals.models import Deviation
from trace.approvals.queries import lock_deviations
from trace.approvals.rules import covers
from trace.core.clock import to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.engineering.models import Station
from trace.floor.deviating import about_lots
from trace.floor.models import Fitting, Unit
from trace.floor.rules import NOT_RELEASED, say_unreleased
from trace.ledger.operation import note
from trace.material.facts import PUTS_ON
from trace.material.inspecting import list_statuses_at, list_unreleased
from trace.material.models import Container, Feed, FeedRecord, Lot, LotStatus


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
        (
            one
            for one in lock_deviations({NOT_RELEASED}, at, at)
            if NOT_RELEASED in one.rules and covers(one.scope, about)
        ),
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


@dataclass(frozen=True)
class EarlyUse:
    """A container was used of a lot that was not released then: `status` is what it was, `at` when, in microseconds;
    on a feed or in a unit; under a deviation, unless it was found there."""

    container: Container
    status: str
    at: int
    deviation: Deviation | None
    by: Person
    feed: Feed | None = None
    unit: Unit | None = None

    @property
    def lot(self) -> Lot:
        """Of which it was."""
        return self.container.lot


def list_early_uses() -> list[EarlyUse]:
    """Every use of a container before its lot's release, or after its rejection, the last first: what was put on a
    feed or found there, what was fitted from it."""
    loads = _early(FeedRecord.objects.filter(act__in=[*PUTS_ON, FeedRecord.Act.HAND_FILL]), "happened")
    fittings = _early(Fitting.objects.all(), "since")
    uses = [
        EarlyUse(one.container, one.then, one.happened, one.deviation, one.by, feed=one.feed)
        for one in loads.select_related("feed")
    ]
    uses += [
        EarlyUse(one.container, one.then, one.since, one.deviation, one.by, unit=one.unit)
        for one in fittings.select_related("unit")
    ]
    return sorted(uses, key=lambda use: -use.at)


def _early(records: QuerySet[Any], moment: str) -> QuerySet[Any]:
    """Those records of a container that happened while its lot was not released; `then` is what it was."""
    statuses = LotStatus.objects.filter(lot=OuterRef("container__lot"), since__lte=OuterRef(moment))
    then = Subquery(statuses.order_by("-since", "-id").values("status")[:1])
    judged = records.filter(superseded=None, container__lot__status_since__isnull=False).annotate(then=then)
    early = judged.filter(then__isnull=False).exclude(then=Lot.Status.RELEASED)
    return early.select_related("container__lot__part", "deviation", "by")
