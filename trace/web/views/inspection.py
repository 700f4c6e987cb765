"""Lots that wait for inspection; one lot: what to do, what was found, what becomes of it; what was used before."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.views.decorators.http import require_GET

from trace.core.clock import OPEN, now
from trace.core.keys import read_label
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.engineering.equipment import Equipment
from trace.floor.releases import list_early_uses
from trace.material.inspecting import Task, count_pieces, list_present, list_tasks, list_waiting
from trace.material.models import Container, Lot, Manner
from trace.material.operations.inspection import (
    InspectionRefused,
    record_inspection,
    reject_lot,
    release_lot,
    return_lot,
    rule_sampling,
    sort_lot,
)
from trace.material.operations.statuses import CHANGES
from trace.material.queries import get_lot
from trace.material.sampling import Ruling, Severity, share
from trace.web.cells import Link, Ref
from trace.web.forms import asking, do_or_show
from trace.web.inspection import (
    SCREEN_CAUTION,
    SUSPECT_CAUTION,
    early_uses_table,
    inspections_table,
    say_decision,
    say_lot,
    say_plan,
    say_task,
    statuses_table,
    waiting_table,
)
from trace.web.tables import respond

DECISIONS = {"release_lot": release_lot, "reject_lot": reject_lot, "return_lot": return_lot}
"""What is decided with a sentence of evidence alone."""


@require_GET
def inspections(request: HttpRequest) -> HttpResponseBase:
    """What waits, the soonest needed first."""
    rows = list_waiting()
    context = {
        "quarantined": sum(lot.status == Lot.Status.QUARANTINED for lot, _ in rows),
        "rejected": sum(lot.status == Lot.Status.REJECTED for lot, _ in rows),
        "urgent": sum(lot.status == Lot.Status.QUARANTINED and not left for lot, left in rows),
    }
    return respond(request, "inspections.html", context, [waiting_table(rows, now())], name="inspections")


@require_GET
def early_use(request: HttpRequest) -> HttpResponseBase:
    """Every container that was used before its lot was released."""
    uses = list_early_uses()
    context = {"uses": len(uses), "lots": len({use.lot.pk for use in uses})}
    return respond(request, "early_use.html", context, [early_uses_table(uses)], name="used-before-release")


def inspect(request: HttpRequest, key: str) -> HttpResponseBase:
    """One lot: what to do, and what was found."""
    lot = get_lot(key)
    sent = request.POST
    containers = list(list_present(lot))
    size = int(sent["size"]) if sent.get("size", "").isdecimal() and len(sent["size"]) < 10 else None
    tasks, roles = list_tasks(lot, size), roles_of(request.user)
    quarantined = lot.status == Lot.Status.QUARANTINED
    context = {
        "lot": lot,
        "sentence": say_lot(lot, tasks, lot.statuses.order_by("since", "id").last()),
        "tasks": [_show(task, containers, sent) for task in tasks] if quarantined else [],
        "counted": count_pieces(containers) is not None,
        "facts": _facts(lot, containers),
        "records": quarantined and may(roles, OPERATIONS["record_inspection"]),
        "sorts": lot.status == Lot.Status.REJECTED and may(roles, OPERATIONS["sort_lot"]) and containers,
        "rules": may(roles, OPERATIONS["rule_sampling"]) and any(task.severity for task in tasks),
        "rulings": Ruling.choices,
        "decides": [
            (name, DECISION_WORDS[name])
            for name in DECISIONS
            if lot.status in CHANGES[name][0] and may(roles, OPERATIONS[name])
            and not (name == "release_lot" and any(task.done is None for task in tasks))
        ],
        "containers": _rows(containers, _held(containers), sent),
        "suspect": SUSPECT_CAUTION if lot.status == Lot.Status.REJECTED else "",
    }  # fmt: skip
    tables = [inspections_table(lot, OPEN), statuses_table(lot, OPEN)]

    def do() -> str:
        what, done = sent.get("what", ""), asking(request)
        evidence = sent.get("evidence", "")
        if what in DECISIONS:
            DECISIONS[what](lot=lot, evidence=evidence, **done)
        elif what == "sort_lot":
            sort_lot(lot=lot, counts=_read_counts(sent, containers), evidence=evidence, **done)
        elif what == "rule_sampling" and sent.get("ruling") in Ruling.values:
            ruling = Ruling(sent["ruling"])
            rule_sampling(part=lot.part, supplier=lot.supplier, ruling=ruling, reason=evidence, **done)
        elif what == "record_inspection":
            _record(lot, containers, size, sent, done)
        else:
            raise InspectionRefused("Say what is to be recorded.")
        return reverse("inspect", args=[lot.key])

    return do_or_show(request, "inspect.html", do, lambda: (context, tables), name=f"inspect-{lot.key}")


DECISION_WORDS = {
    "release_lot": "Release the lot",
    "reject_lot": "Reject the lot",
    "return_lot": "Return all of it to the supplier",
}


def _facts(lot: Lot, containers: list[Container]) -> list[tuple[str, Any]]:
    pieces = count_pieces(containers)
    return [
        ("Part", Ref("part", lot.part.key, lot.part.name)),
        ("Supplier", Ref("supplier", lot.supplier.key, lot.supplier.name)),
        ("Supplier’s lot number", lot.number),
        ("In the plant", f"{len(containers)} container{'' if len(containers) == 1 else 's'}"),
        ("Pieces", "not all counted" if pieces is None else pieces),
        ("More about it", Link("where it went", reverse("lot", args=[lot.key]))),
    ]


def _show(task: Task, containers: list[Container], sent: Any) -> dict[str, Any]:
    """What the page says and asks for of one planned inspection."""
    held = _held(containers)
    drawn = held if task.planned.manner == Manner.EVERY else share(task.pieces or 0, held)
    fit = Equipment.objects.filter(kind=task.planned.equipment, retired=None) if task.planned.equipment else []
    return {
        "planned": task.planned,
        "words": say_task(task),
        "plan": say_plan(task),
        "decision": say_decision(task.done) if task.done else "",
        "done": task.done,
        "open": task.done is None and task.severity != Severity.DISCONTINUED,
        "caution": " ".join(filter(None, [task.planned.caution, SCREEN_CAUTION if task.planned.screen else ""])),
        "rows": _rows(containers, drawn, sent if sent.get("name") == task.planned.name else {}),
        "equipment": fit,
        "needs_size": task.planned.manner == Manner.SAMPLE and count_pieces(containers) is None,
    }  # fmt: skip


def _held(containers: list[Container]) -> list[int]:
    """How many pieces each holds; none where nobody counted."""
    return [int(container.quantity or 0) for container in containers]


def _rows(containers: list[Container], counts: Sequence[Any], sent: Any) -> list[tuple[Container, Any, Any]]:
    """Per container what to count, or what was entered for it before it was refused."""
    return [
        (one, sent.get(f"inspected-{one.key}", count or ""), sent.get(f"rejected-{one.key}", 0))
        for one, count in zip(containers, counts, strict=True)
    ]


def _record(lot: Lot, containers: list[Container], size: int | None, sent: Any, done: dict[str, Any]) -> None:
    equipment = sent.get("equipment", "").strip()
    record_inspection(
        lot=lot,
        name=sent.get("name", ""),
        counts=_read_counts(sent, containers),
        readings=_read_readings(sent.get("readings", "")),
        screened="screened" in sent,
        equipment=Equipment.objects.filter(key=read_label(equipment)).first() if equipment else None,
        size=size,
        remark=sent.get("remark", ""),
        **done,
    )


def _read_counts(sent: Any, containers: list[Container]) -> list[tuple[Container, int, int]]:
    """What was entered for each container; those left empty were not counted."""
    counts = []
    for container in containers:
        inspected, rejected = (sent.get(f"{name}-{container.key}", "").strip() for name in ("inspected", "rejected"))
        if inspected or rejected not in ("", "0"):
            counts.append((container, _whole(inspected or "0"), _whole(rejected or "0")))
    return counts


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 10):
        raise InspectionRefused(f"“{text[:20]}” is no number of pieces.")
    return int(text)


def _read_readings(text: str) -> list[Decimal]:
    """Readings as a gauge types them, one after the other; a decimal comma is a point."""
    readings = []
    for word in re.split(r"[\s;]+", text.strip()):
        try:
            readings += [Decimal(word.replace(",", "."))] if word else []
        except InvalidOperation:
            raise InspectionRefused(f"“{word[:20]}” is no reading.", action="Write each such as 12.01.") from None
    return readings
