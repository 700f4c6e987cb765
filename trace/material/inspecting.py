"""Reading incoming inspection: what a lot still needs, how it is sampled, its status at a moment, what was used
early."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from types import MappingProxyType

from django.db.models import QuerySet

from trace.engineering.models import Part
from trace.material.models import (
    Container,
    Derivation,
    Inspection,
    InspectionCount,
    Lot,
    LotStatus,
    Manner,
    PlannedInspection,
    SamplingRuling,
    Supplier,
)
from trace.material.sampling import Judged, Plan, Ruling, Severity, Switched, find_letter, find_plan, switch


@dataclass(frozen=True)
class Task:
    """One planned inspection of a lot: how many pieces (None: not known yet), the plan of a sample and how strictly
    it is drawn, and what was found, once it was done in this round."""

    planned: PlannedInspection
    pieces: int | None
    severity: Severity | None = None
    plan: Plan | None = None
    done: Inspection | None = None


def list_plan(part: Part) -> QuerySet[PlannedInspection]:
    """What is inspected of every lot of a part; nothing: its lots are stocked on receipt."""
    return PlannedInspection.objects.filter(part=part).order_by("number")


def list_present(lot: Lot) -> QuerySet[Container]:
    """A lot's containers that are in the plant."""
    return Container.objects.filter(lot=lot, gone=None).order_by("pk")


def count_pieces(containers: Iterable[Container]) -> int | None:
    """How many pieces containers hold together; None where one of them was not counted. What was filled from another of
    them is still in that one's quantity, unless the pieces were counted since, each where it was then."""
    containers = list(containers)
    manners = (Manner.EVERY, Manner.SORTED)
    counted = InspectionCount.objects.filter(container__in=containers, inspection__manner__in=manners)
    since = dict(counted.order_by("inspection__at").values_list("container", "inspection__at"))
    inside = list_filled_from((container.pk for container in containers), since)
    counts = [container.quantity for container in containers if container.pk not in inside]
    known = [count for count in counts if count is not None]
    return int(sum(known, Decimal(0)).to_integral_value(ROUND_CEILING)) if known and len(known) == len(counts) else None


def list_filled_from(containers: Iterable[int], since: Mapping[int, int] = MappingProxyType({})) -> set[int]:
    """The ids of the containers that were filled from any of these, to any depth; of one that is in `since`, after that
    moment."""
    filled, layer = set[int](), set(containers)
    while layer:
        found = Derivation.objects.filter(source__in=layer, superseded=None).values_list("source", "result", "at")
        layer = {result for source, result, at in found if source and at > since.get(source, -1)} - filled
        filled |= layer
    return filled


def find_round(lot: Lot) -> int:
    """How often a lot came up for inspection: when it was received, and each time after it was sorted."""
    statuses = list(lot.statuses.order_by("id").values_list("status", flat=True))
    stocked = bool(statuses) and statuses[0] != Lot.Status.QUARANTINED  # on receipt, without inspection
    return statuses.count(Lot.Status.QUARANTINED) + stocked


def find_severity(part: Part, supplier: Supplier, planned: PlannedInspection) -> Switched:
    """How strictly the next lot of a supplier is sampled for a characteristic: from the lots inspected for it by the
    same AQL when they first came, and from the rulings."""
    lots = Inspection.objects.filter(
        lot__part=part, lot__supplier=supplier, name=planned.name, manner=Manner.SAMPLE, aql=planned.aql, round=1
    )
    rulings = SamplingRuling.objects.filter(part=part, supplier=supplier)
    events: list[tuple[int, int, Judged | Ruling]] = [(one.at, 0, Ruling(one.ruling)) for one in rulings]
    events += [(one.at, 1, Judged(one.accepted, one.marginal)) for one in lots]
    return switch(event for _, _, event in sorted(events, key=lambda event: event[:2]))


def plan_sample(lot: Lot, planned: PlannedInspection, size: int | None) -> tuple[Severity, Plan | None]:
    """(how strictly a lot of so many pieces is sampled, its plan; none where that is not known, or discontinued)."""
    severity = find_severity(lot.part, lot.supplier, planned).severity
    if severity == Severity.DISCONTINUED or planned.aql is None or size is None:
        return severity, None
    return severity, find_plan(severity, find_letter(size, planned.level), planned.aql)


def list_tasks(lot: Lot, size: int | None = None) -> list[Task]:
    """What is to be inspected of a lot, and what was in this round. `size` is the number of its pieces, where not
    all of its containers were counted."""
    counted = count_pieces(list_present(lot))
    size = size if counted is None else counted
    done = {one.name: one for one in lot.inspections.filter(round=find_round(lot)).exclude(manner=Manner.SORTED)}
    tasks = []
    for planned in list_plan(lot.part):
        found = done.get(planned.name)
        severity, plan, pieces = None, None, size
        if planned.manner == Manner.SAMPLE:
            severity, plan = plan_sample(lot, planned, size)
            pieces = plan and min(plan.size, size or 0)
        elif planned.manner == Manner.GAUGE:
            pieces = planned.pieces if size is None else min(planned.pieces or 0, size)
        tasks.append(Task(planned, pieces, severity, plan, found))
    return tasks


def list_statuses_at(lots: Iterable[Lot], at: int) -> dict[int, str]:
    """Per lot (by id), its status at a moment (microseconds). A query only where one changed since, or had not
    begun."""
    found = {lot.pk: lot.status for lot in lots if lot.status_since is None or lot.status_since <= at}
    changed = [lot.pk for lot in lots if lot.pk not in found]
    if changed:
        found |= dict.fromkeys(changed, Lot.Status.QUARANTINED)
        rows = LotStatus.objects.filter(lot__in=changed, since__lte=at).order_by("since", "id")
        found |= dict(rows.values_list("lot", "status"))
    return found


def list_unreleased(lots: Iterable[Lot], at: int) -> list[Lot]:
    """Of these lots those that were not released at a moment (microseconds), each once."""
    once = {lot.pk: lot for lot in lots}
    statuses = list_statuses_at(once.values(), at)
    return [lot for pk, lot in sorted(once.items()) if statuses[pk] != Lot.Status.RELEASED]


def read_status(lot: Lot, at: int) -> LotStatus | None:
    """What was decided last about a lot up to a moment (microseconds), as known; None: it was stocked on receipt."""
    return lot.statuses.filter(since__lte=at).order_by("since", "id").last()


def list_waiting() -> list[tuple[Lot, int]]:
    """Lots that are quarantined or rejected and still here, each with the number of released containers of its part in
    the plant: what is out of released stock comes first, then what has waited longest."""
    waiting = [Lot.Status.QUARANTINED, Lot.Status.REJECTED]
    lots = list(
        Lot.objects.filter(status__in=waiting, containers__gone=None).distinct().select_related("part", "supplier")
    )
    released: dict[int, int] = defaultdict(int)
    parts = {lot.part_id for lot in lots}
    here = Container.objects.filter(part__in=parts, gone=None, lot__status=Lot.Status.RELEASED)
    for part in here.values_list("part", flat=True):
        released[part] += 1
    by_need = sorted(lots, key=lambda lot: (lot.status != Lot.Status.QUARANTINED, released[lot.part_id], lot.received))
    return [(lot, released[lot.part_id]) for lot in by_need]
