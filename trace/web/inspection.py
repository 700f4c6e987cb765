"""Incoming inspection as pages show it: what to do, what was found, what became of a lot."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.urls import reverse
from django.utils import timezone

from trace.core.clock import from_ticks
from trace.floor.releases import EarlyUse
from trace.material.inspecting import Task
from trace.material.models import Inspection, Lot, LotStatus, Manner, PlannedInspection
from trace.material.sampling import Severity
from trace.web.cells import Link, Mark, Moment, Ref, Several, text_of
from trace.web.tables import Column, Table

SCREEN_CAUTION = (
    "A hot and cold screen burns and freezes skin: parts, trays and chamber walls stay hot or cold, and the gas that"
    " cools a chamber takes the air to breathe. Wear gloves and eye protection, air the room, and let parts come to"
    " room temperature."
)
SUSPECT_CAUTION = (
    "Suspect product. Keep it apart and marked, so that nobody uses it; who decides about it answers for it."
)

STOCKED = "It was stocked on receipt: its part is not inspected."


def say_limits(row: PlannedInspection | Inspection) -> str:
    """“11.98 to 12.02 mm”; empty for what is not measured."""
    low, high = (text_of(limit) for limit in (row.lower, row.upper))
    limits = f"{low} to {high}" if low and high else f"at least {low}" if low else f"at most {high}"
    return f"{limits} {row.unit_of_measure}" if row.unit_of_measure else ""


def say_task(task: Task) -> str:
    """What is to be done, in sentences."""
    planned, words = task.planned, []
    if planned.screen:
        words.append(f"First the stress screen: {planned.screen}.")
    if planned.manner == Manner.EVERY:
        words.append("Then test every piece." if planned.screen else "Test every piece.")
        if planned.allowable is not None:
            words.append(f"Up to {text_of(planned.allowable)} % may be rejected.")
    elif planned.manner == Manner.GAUGE:
        words.append(f"Gauge {task.pieces} pieces, drawn at random; none may be outside its limits.")
    elif task.severity == Severity.DISCONTINUED:
        words.append("Sampling is discontinued: five lots of this supplier were rejected on tightened inspection.")
    elif task.plan:
        words.append(f"Draw {task.pieces} pieces at random from all containers.")
        words.append(f"Accept with up to {task.plan.accept} rejected, reject with {task.plan.reject} or more.")
    else:
        words.append("How many pieces to draw follows from how many the lot has: say that first.")
    if planned.unit_of_measure:
        words.append(f"Limits: {say_limits(planned)}.")
    if planned.equipment:
        words.append(f"With a {planned.equipment} that is calibrated and checked.")
    return " ".join(words)


def say_plan(task: Task) -> str:
    """By which table of the standard; empty for what is no sample."""
    if task.plan is None or task.severity is None:
        return ""
    severity = f"{task.severity.capitalize()} inspection, code letter {task.plan.letter}"
    return f"{severity}, level {task.planned.level}, AQL {text_of(task.planned.aql)} % (ANSI/ASQ Z1.4, ISO 2859-1)."


def say_decision(inspection: Inspection) -> str:
    """What was found, and what follows, in a sentence."""
    found = f"{inspection.rejected} of {inspection.inspected:,} pieces rejected".replace(",", "\u202f")
    if inspection.manner == Manner.SORTED:
        return f"Sorted: {found}."
    numbers = ""
    if inspection.accept is not None:
        numbers = f" (accept up to {inspection.accept}, reject from {inspection.reject})"
    return f"{found}{numbers}: {'accepted' if inspection.accepted else 'not accepted'}."


def say_lot(lot: Lot, tasks: Sequence[Task], last: LotStatus | None) -> str:
    """How it stands with a lot, and what is next."""
    if lot.status == Lot.Status.REJECTED and last:
        return f"It is rejected: {last.evidence.rstrip('.')}. Return it, or sort it and inspect it again."
    if lot.status == Lot.Status.RETURNED and last:
        return f"It went back to {lot.supplier.name}: {last.evidence.rstrip('.')}."
    if lot.status == Lot.Status.RELEASED:
        return f"It is released: {last.evidence.rstrip('.')}." if last else STOCKED
    left = sum(task.done is None for task in tasks)
    if left:
        some = f"{left} of {len(tasks)} inspections are" if len(tasks) > 1 else "its inspection is"
        return f"It is quarantined: {some} still to be done."
    if tasks:
        return "It is quarantined. All that is planned was accepted: a quality engineer can release it."
    return "It is quarantined, and nothing is planned to be inspected: a quality engineer decides."


def status_cell(lot: Lot, last: LotStatus | None) -> Several:
    """A lot's status as of a moment, leading to its inspection."""
    since = f"since {timezone.localtime(from_ticks(last.since)):%-d %B %Y}" if last else "on receipt"
    return Several((Mark(last.get_status_display() if last else "released"), Link(since, inspect_href(lot))), " ")


def inspect_href(lot: Lot) -> str:
    """Where a lot is inspected."""
    return reverse("inspect", args=[lot.key])


def waiting_table(rows: Sequence[tuple[Lot, int]], at: datetime) -> Table:
    """Lots that wait for inspection or for a decision, the soonest needed first."""
    return Table(
        "waiting",
        "Lots that wait",
        [
            Column("lot", "Lot", lambda row: Link(row[0].key, inspect_href(row[0]), f"inspect {row[0].key}")),
            Column("status", "Status", lambda row: Mark(row[0].get_status_display()), choose=True),
            Column("part", "Part", lambda row: Ref("part", row[0].part.key, row[0].part.name)),
            Column("left", "Released containers of the part", lambda row: row[1], number=True),
            Column("supplier", "Supplier", lambda row: Ref("supplier", row[0].supplier.key, row[0].supplier.name)),
            Column("received", "Received", lambda row: Moment.of(row[0].received)),
            Column("days", "Days here", lambda row: (at - row[0].received).days, number=True),
        ],
        rows,
        "Nothing waits. A lot is quarantined when it is received, where its part has an inspection plan: a planner or a"
        " quality engineer brings that in under “Lists of master data”.",
        note="What has no released container left in the plant comes first, then what came first.",
    )


def inspections_table(lot: Lot, at: int) -> Table:
    """What was inspected of a lot, and what was found."""
    rows = list(lot.inspections.filter(at__lte=at).select_related("equipment", "by").prefetch_related("readings"))
    return Table(
        "inspections",
        "Inspections",
        [
            Column("name", "Inspected", lambda i: i.name),
            Column("manner", "How", lambda i: i.get_manner_display()),
            Column("found", "What was found", say_decision),
            Column("plan", "Sampling", _say_sampling),
            Column(
                "limits",
                "Limits",
                say_limits,
            ),
            Column("readings", "Readings", _readings),
            Column("with", "With", lambda i: Ref("equipment", i.equipment.key) if i.equipment else ""),
            Column("screen", "Stress screen", lambda i: i.screen),
            Column("remark", "Remark", lambda i: i.remark),
            Column("at", "When", lambda i: Moment(i.at)),
            Column("by", "By", lambda i: Ref("person", i.by.key, i.by.name)),
        ],
        rows,
        "Nothing was inspected of it.",
    )


def _readings(inspection: Inspection) -> str:
    values = [reading.value for reading in inspection.readings.all()]
    shown = ", ".join(text_of(value) for value in values[:10])
    return f"{shown} … ({len(values)} in all)" if len(values) > 10 else shown


def _say_sampling(inspection: Inspection) -> str:
    one = inspection
    return f"{one.severity}, {one.letter}, AQL {text_of(one.aql)} %" if one.letter else ""


def statuses_table(lot: Lot, at: int) -> Table:
    """A lot's status and its history."""
    return Table(
        "statuses",
        "Its status, and what it was",
        [
            Column("status", "Status", lambda s: Mark(s.get_status_display())),
            Column("since", "Since", lambda s: Moment(s.since)),
            Column("evidence", "On what evidence", lambda s: s.evidence),
            Column("by", "By", lambda s: Ref("person", s.by.key, s.by.name)),
        ],
        list(lot.statuses.filter(since__lte=at).select_related("by").order_by("since", "id")),
        STOCKED,
    )


def early_uses_table(uses: Sequence[EarlyUse]) -> Table:
    """Every container that was used before its lot was released."""
    return Table(
        "early",
        "Used before release",
        [
            Column("container", "Container", lambda use: Ref("container", use.container.key)),
            Column("lot", "Lot", lambda use: Ref("lot", use.lot.key)),
            Column("part", "Part", lambda use: Ref("part", use.lot.part.key, use.lot.part.name)),
            Column("then", "The lot was then", lambda use: Mark(Lot.Status(use.status).label), choose=True),
            Column("now", "And is now", lambda use: Mark(use.lot.get_status_display()), choose=True),
            Column("where", "Used in", _where),
            Column("at", "When", lambda use: Moment(use.at)),
            Column(
                "deviation",
                "Under",
                lambda use: Ref("deviation", use.deviation.key) if use.deviation else "no deviation: found there",
            ),
            Column("by", "By", lambda use: Ref("person", use.by.key, use.by.name)),
        ],
        uses,
        "No container was used before its lot was released.",
        note="A container's page says which units carry what was in it.",
    )


def _where(use: EarlyUse) -> Ref | str:
    if use.unit:
        return Ref("unit", use.unit.key)
    return Ref("feed", use.feed.key) if use.feed else ""


def plan_table(rows: Sequence[PlannedInspection]) -> Table:
    """A part's inspection plan."""
    return Table(
        "inspection",
        "Incoming inspection",
        [
            Column("name", "Inspected", lambda row: row.name),
            Column("manner", "How", _say_manner),
            Column(
                "limits",
                "Limits",
                say_limits,
            ),
            Column("with", "With", lambda row: row.equipment),
            Column("screen", "Stress screen", lambda row: row.screen),
            Column("caution", "Caution", lambda row: row.caution),
        ],
        rows,
        "Its lots are stocked on receipt.",
    )


def _say_manner(row: PlannedInspection) -> str:
    if row.manner == Manner.SAMPLE:
        return f"a sample, AQL {text_of(row.aql)} %, level {row.level}"
    if row.manner == Manner.GAUGE:
        return f"{row.pieces} pieces gauged"
    return "every piece" if row.allowable is None else f"every piece, up to {text_of(row.allowable)} % rejected"
