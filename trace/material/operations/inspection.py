"""Incoming inspection: what is inspected, what was found, what became of the lot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.equipment import Equipment
from trace.engineering.fitness import judge_fitness
from trace.engineering.models import Part
from trace.engineering.operations.common import changing, save_checked
from trace.holds.gate import check_moves, holding
from trace.holds.rules import Move
from trace.ledger.operation import note, operation
from trace.material.inspecting import Task, count_pieces, find_round, list_present, list_tasks
from trace.material.models import (
    Container,
    Inspection,
    InspectionCount,
    InspectionReading,
    Lot,
    Manner,
    PlannedInspection,
    SamplingRuling,
    Supplier,
)
from trace.material.operations.statuses import change_status, lock_lot, reject, to_status
from trace.material.operations.stock import check_on_no_feed
from trace.material.sampling import AQLS, LEVELS, Ruling, Severity

MOST_PIECES, MOST_READINGS = 10**9, 10_000


class InspectionRefused(Refusal):
    """An inspection can't be planned or recorded so."""

    code = "inspection-refused"
    action = "Correct what is named, and record it again."


class SamplingDiscontinued(Refusal):
    """Too many lots of the supplier were rejected on tightened inspection: they are sampled no more."""

    code = "sampling-discontinued"
    action = "A quality engineer rejects the lot, or resumes sampling once the supplier has put right what was wrong."


class GaugeNotFit(Refusal):
    """What it was measured or tested with was not fit for it."""

    code = "gauge-not-fit"
    action = "Take other equipment, or have this one calibrated and checked; then inspect again."


@dataclass(frozen=True)
class InspectionRow:
    """What is inspected of every lot of a part. `manner`: every piece; a sample by `aql` (per cent nonconforming) and
    inspection `level` (I, II, III, S-1 to S-4); or so many `pieces` gauged. `allowable`: of every piece, the percentage
    that may be defective. What is measured has a unit of measure and a limit or two. `equipment` is the kind that it
    needs, `screen` the stress screen before it, `caution` what can hurt whoever does it."""

    name: str
    manner: Manner
    aql: Decimal | None = None
    level: str = ""
    pieces: int | None = None
    allowable: Decimal | None = None
    unit_of_measure: str = ""
    lower: Decimal | None = None
    upper: Decimal | None = None
    equipment: str = ""
    screen: str = ""
    caution: str = ""


@changing
def set_inspection(*, part: Part, rows: Sequence[InspectionRow], by: Person, at: datetime) -> list[PlannedInspection]:
    """Write what is inspected of every lot of a part that comes in from now on, in this order; no rows: nothing, its
    lots are stocked on receipt. Lots that wait are inspected by the new plan.

    Refuses with InspectionRefused what is tracked by serial, a name twice, and what does not fit its manner.
    """
    problems = [f"{part.number} is tracked by serial: it has no lots."] if part.serialised else []
    names = [row.name.strip().casefold() for row in rows]
    problems += [f"“{row.name[:40]}” stands there twice." for n, row in enumerate(rows) if names[n] in names[:n]]
    problems += [f"“{row.name[:40]}”: {what}" for row in rows for what in _judge(row)]
    if problems:
        raise InspectionRefused(" ".join(problems), action="Correct the rows named and set all of them again.")
    PlannedInspection.objects.filter(part=part).delete()
    made = [PlannedInspection(part=part, number=number, **vars(row)) for number, row in enumerate(rows, 1)]
    for planned in made:
        planned.name = planned.name.strip()
        save_checked(planned, InspectionRefused)
    return made


def _judge(row: InspectionRow) -> Iterator[str]:
    """What is wrong with a row."""
    sample, gauged, every = (row.manner == one for one in (Manner.SAMPLE, Manner.GAUGE, Manner.EVERY))
    if not (sample or gauged or every):
        yield "plan every piece, a sample, or so many gauged."
    if sample and row.aql not in AQLS:
        yield f"there is no AQL of {row.aql}: choose one of {', '.join(map(str, AQLS))}."
    if sample and row.level not in LEVELS:
        yield f"a sample has an inspection level: {', '.join(LEVELS)}."
    if not sample and (row.aql is not None or row.level):
        yield "only a sample has an AQL and a level."
    if bool(row.pieces) != gauged or (row.pieces or 0) < 0:
        yield "say how many pieces are gauged." if gauged else "only of what is gauged a number of pieces is said."
    if row.allowable is not None and not (every and 0 <= row.allowable < 100):
        yield "a percentage that may be defective, below 100, is for every piece alone."
    limits = [limit for limit in (row.lower, row.upper) if limit is not None]
    if bool(row.unit_of_measure.strip()) != bool(limits):
        yield "what is measured has a unit of measure and a limit."
    if len(limits) == 2 and limits[0] >= limits[1]:
        yield "the lower limit is not below the upper."
    if gauged and not (limits and row.equipment.strip()):
        yield "what is gauged has limits, and a kind of equipment."


@holding
def record_inspection(
    *,
    lot: Lot,
    name: str,
    counts: Sequence[tuple[Container, int, int]],
    readings: Sequence[Decimal] = (),
    screened: bool = False,
    equipment: Equipment | None = None,
    size: int | None = None,
    remark: str = "",
    by: Person,
    at: datetime,
) -> Inspection:
    """A characteristic of a quarantined lot was inspected; whether it is accepted follows from its plan.

    `counts`: per container the pieces inspected and how many of them are rejected; those leave its quantity.
    `readings`: what each piece measured, of all or of none; what is outside the limits is rejected. `screened`: the
    stress screen that is planned was done before. `size`: the pieces in the lot, where not all of its containers were
    counted. A lot of which one characteristic is rejected is rejected. Refuses with InspectionRefused a lot that is not
    quarantined, what is not planned or was inspected, other containers than the lot's in the plant, another number of
    pieces than is planned, counts and readings that do not agree; with GaugeNotFit, SamplingDiscontinued,
    BadText.
    """
    lot = lock_lot(lot)
    if lot.status != Lot.Status.QUARANTINED:
        raise InspectionRefused(
            f"Lot {lot.key} is {lot.get_status_display()}.", action="Only quarantined lots are inspected."
        )
    if to_ticks(at) < (lot.status_since or 0):
        raise InspectionRefused(f"Lot {lot.key} was quarantined after that moment.", action="Give the right time.")
    if size is not None and not 0 < size <= MOST_PIECES:
        raise InspectionRefused(f"A lot can't have {size} pieces.")
    task = next((one for one in list_tasks(lot, size) if one.planned.name == name.strip()), None)
    if task is None:
        raise InspectionRefused(f"“{name[:40]}” is not planned for {lot.part.key}.", action="Look at what is planned.")
    if task.done:
        raise InspectionRefused(
            f"{name} of lot {lot.key} was inspected by {task.done.by}: {_verdict(task.done)}.",
            action="Nothing needs doing; what was recorded stands.",
        )
    planned = task.planned
    every = planned.manner == Manner.EVERY
    containers = _lock_counted(lot, counts, every=every)
    inspected, rejected = sum(count for _, count, _ in counts), sum(count for _, _, count in counts)
    _check_readings(planned, readings, inspected, rejected)
    if planned.screen and not screened:
        raise InspectionRefused(
            f"{planned.name} is tested after a stress screen: {planned.screen}.", action="Do the screen, then test."
        )
    if planned.equipment:
        _check_gauge(planned, equipment, at)
    lot_size = inspected if every else count_pieces(list_present(lot)) or size or inspected
    verdict = _decide(lot, task, inspected, rejected)
    inspection = Inspection.objects.create(
        lot=lot, round=find_round(lot), name=planned.name, manner=planned.manner, severity=task.severity or "",
        aql=planned.aql, letter=task.plan.letter if task.plan else "", size=lot_size, inspected=inspected,
        rejected=rejected, accept=task.plan and task.plan.accept, reject=task.plan and task.plan.reject,
        accepted=verdict,
        unit_of_measure=planned.unit_of_measure, lower=planned.lower, upper=planned.upper,
        screen=planned.screen, equipment=equipment if planned.equipment else None,
        remark=clean_text(remark, 300, "The remark"), at=to_ticks(at), by=by, recorded=to_ticks(now()),
    )  # fmt: skip
    _keep(inspection, counts, containers, exact=every)
    InspectionReading.objects.bulk_create(
        InspectionReading(inspection=inspection, number=number, value=value) for number, value in enumerate(readings, 1)
    )
    if not verdict:
        reject(lot, f"{planned.name}: {_verdict(inspection)}", by, at)
    note(lot, *containers.values(), decided=_verdict(inspection))
    return inspection


def _verdict(inspection: Inspection) -> str:
    found = f"{inspection.rejected} of {inspection.inspected} rejected"
    return f"{found}, {'accepted' if inspection.accepted else 'not accepted'}"


def _decide(lot: Lot, task: Task, inspected: int, rejected: int) -> bool:
    """Whether the characteristic is accepted. Refuses where another number was inspected than is planned."""
    planned = task.planned
    if planned.manner == Manner.EVERY:
        most = Decimal(100) if planned.allowable is None else planned.allowable
        return rejected < inspected and rejected * 100 <= most * inspected
    if task.severity == Severity.DISCONTINUED:
        raise SamplingDiscontinued(
            f"{lot.part.key} from {lot.supplier.name} is sampled no more: five lots were rejected on tightened"
            " inspection."
        )
    if task.pieces is None:
        raise InspectionRefused(f"How many pieces lot {lot.key} has is not known.", action="Count its containers.")
    if inspected != task.pieces:
        raise InspectionRefused(
            f"{task.pieces} pieces of lot {lot.key} are to be inspected for {planned.name}, not {inspected}.",
            action="Draw as many as are planned, at random from all its containers.",
        )
    return rejected < task.plan.reject if task.plan else rejected == 0


def _check_readings(planned: PlannedInspection, readings: Sequence[Decimal], inspected: int, rejected: int) -> None:
    if not readings and planned.manner != Manner.GAUGE:
        return
    if not planned.unit_of_measure:
        raise InspectionRefused(f"{planned.name} is not measured: it is good or not.")
    if len(readings) != inspected or len(readings) > MOST_READINGS:
        raise InspectionRefused(
            f"{len(readings)} readings of {inspected} pieces.",
            action="Give the reading of every piece that was inspected.",
        )
    if wrong := [
        value for value in readings if not value.is_finite() or abs(value) >= 10**12 or round(value, 6) != value
    ]:
        raise InspectionRefused(f"{wrong[0]} can't be a reading: it has at most six decimals.")
    low, high = planned.lower, planned.upper
    outside = sum((low is not None and v < low) or (high is not None and v > high) for v in readings)
    if outside != rejected:
        raise InspectionRefused(
            f"{outside} of {inspected} readings outside the limits, but {rejected} pieces said to be rejected.",
            action="Put aside what is outside, and count it.",
        )


def _check_gauge(planned: PlannedInspection, equipment: Equipment | None, at: datetime) -> None:
    """What it was done with is of the kind that is planned, and was fit at that moment."""
    equipment = equipment and Equipment.objects.get(pk=equipment.pk)
    if equipment is None or equipment.kind != planned.equipment:
        said = f"{equipment.key} is a {equipment.kind}" if equipment else "none was named"
        raise GaugeNotFit(
            f"{planned.name} needs a {planned.equipment}, and {said}.", action="Scan what it is done with."
        )
    fitness = judge_fitness([equipment], at)[equipment.pk]
    if equipment.retired and equipment.retired <= at:
        raise GaugeNotFit(f"{equipment.key} is retired.")
    if fitness.calibration:
        raise GaugeNotFit(f"{equipment.key} {fitness.calibration}.")
    if fitness.owed:
        raise GaugeNotFit(f"{equipment.key} has not told {', '.join(fitness.owed)} right in this shift.")


def _lock_counted(lot: Lot, counts: Sequence[tuple[Container, int, int]], *, every: bool) -> dict[int, Container]:
    """The containers that were counted, by id, locked. Refuses what can't be, and, where every piece is inspected, a
    container of the lot that was left out."""
    here = {one.pk: one for one in list_present(lot).select_for_update()}
    named = [container.pk for container, _, _ in counts]
    if not counts or len(set(named)) != len(named):
        raise InspectionRefused("Count each container once." if counts else "No container was counted.")
    for container, inspected, rejected in counts:
        if container.pk not in here:
            raise InspectionRefused(f"Container {container.key} is not of lot {lot.key}, or has left the plant.")
        if not 0 <= rejected <= inspected <= MOST_PIECES:
            raise InspectionRefused(f"Of {inspected} pieces in {container.key}, {rejected} can't be rejected.")
        held = here[container.pk].quantity
        if not every and held is not None and inspected > held:
            raise InspectionRefused(f"Container {container.key} holds {held.normalize():f}, not {inspected}.")
    if not 0 < sum(inspected for _, inspected, _ in counts) <= MOST_PIECES:
        raise InspectionRefused("No piece was inspected, or more than any lot has.")
    if every and (left := sorted(one.key for pk, one in here.items() if pk not in named)):
        raise InspectionRefused(
            f"Not counted: {', '.join(left)}.", action="Every piece of every container is inspected."
        )
    return {pk: here[pk] for pk in named}


def _keep(
    inspection: Inspection,
    counts: Sequence[tuple[Container, int, int]],
    containers: Mapping[int, Container],
    *,
    exact: bool,
) -> None:
    """Write the counts; what was rejected leaves its container. Where every piece was inspected that counted them."""
    for named, inspected, rejected in counts:
        container = containers[named.pk]
        InspectionCount.objects.create(
            inspection=inspection, container=container, inspected=inspected, rejected=rejected
        )
        if exact:
            container.quantity = Decimal(inspected - rejected)
        elif container.quantity is not None:
            container.quantity -= rejected
        container.save(update_fields=["quantity"])


@holding
def release_lot(*, lot: Lot, evidence: str, by: Person, at: datetime) -> Lot:
    """A quarantined lot may be used from now on: everything planned was inspected, and accepted.

    Refuses with StatusRefused a lot in another status, what is still to be inspected, no evidence; with BadText.
    """
    lot = to_status("release_lot", lot)
    if left := [task.planned.name for task in list_tasks(lot) if task.done is None]:
        raise InspectionRefused(
            f"Lot {lot.key} is still to be inspected: {', '.join(left)}.", action="Inspect it, then release it."
        )
    return change_status(lot, Lot.Status.RELEASED, evidence, by, at)


@holding
def reject_lot(*, lot: Lot, evidence: str, by: Person, at: datetime) -> Lot:
    """A lot may not be used, whatever was found before, and what the plant mixed of it is quarantined. What already
    draws from it stops at its next step there; units that carry it are another matter: they are held. Refuses with
    StatusRefused a lot that is rejected or returned, no evidence; with BadText."""
    return reject(to_status("reject_lot", lot), evidence, by, at)


@holding
def sort_lot(
    *, lot: Lot, counts: Sequence[tuple[Container, int, int]], evidence: str, by: Person, at: datetime
) -> Inspection:
    """Every piece of a rejected lot was examined and what is bad taken out: it comes up for inspection again.

    `counts` as at record_inspection, of all its containers in the plant. What is inspected then does not count for
    switching (ISO 2859-1: original inspection only). Refuses with StatusRefused, InspectionRefused as there; with
    BadText.
    """
    lot = to_status("sort_lot", lot)
    containers = _lock_counted(lot, counts, every=True)
    inspected, rejected = sum(count for _, count, _ in counts), sum(count for _, _, count in counts)
    if rejected == inspected:
        raise InspectionRefused(f"Nothing of lot {lot.key} is good.", action="Scrap it, or return it to the supplier.")
    change_status(lot, Lot.Status.QUARANTINED, evidence, by, at)
    inspection = Inspection.objects.create(
        lot=lot, round=find_round(lot), name="Sorting", manner=Manner.SORTED, size=inspected, inspected=inspected,
        rejected=rejected, accepted=True, at=to_ticks(at), by=by, recorded=to_ticks(now()),
    )  # fmt: skip
    _keep(inspection, counts, containers, exact=True)
    note(lot, *containers.values())
    return inspection


@holding
def return_lot(*, lot: Lot, evidence: str, by: Person, at: datetime) -> Lot:
    """All that is here of a lot goes back to its supplier.

    Refuses with StatusRefused a lot that is released or has left, and no evidence; with StockRefused what is on record
    at a feed; with Held, BadText.
    """
    lot = to_status("return_lot", lot)
    containers = list(list_present(lot).select_for_update())
    check_moves(Move.RETURN, [lot, *containers])
    for container in containers:
        check_on_no_feed(container)
        container.gone, container.gone_recorded = max(to_ticks(at), container.received), to_ticks(now())
    Container.objects.bulk_update(containers, ["gone", "gone_recorded"])
    note(*containers)
    return change_status(lot, Lot.Status.RETURNED, evidence, by, at)


@operation()
def rule_sampling(
    *, part: Part, supplier: Supplier, ruling: Ruling, reason: str, by: Person, at: datetime
) -> SamplingRuling:
    """Permit reduced inspection of a supplier's lots of a part, take that back, or resume sampling that was
    discontinued. Refuses with InspectionRefused without a reason; with BadText."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise InspectionRefused("Say why.", action="Give the reason in a sentence.")
    note(part, supplier)
    return SamplingRuling.objects.create(
        part=part, supplier=supplier, ruling=ruling, reason=reason, at=to_ticks(at), by=by, recorded=to_ticks(now())
    )
