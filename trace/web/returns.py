"""Returns as pages show them: which wait, how many there were, and what a tear-down found beside the record."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any

from django.http import HttpRequest

from trace.core.clock import from_ticks
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.floor.faults import list_open_faults
from trace.floor.models import Fault, Return, Unit
from trace.floor.returns import Looked, list_open_returns
from trace.holds.queries import find_dispositions
from trace.quality.returns import BY, CountedReturns, ReturnLog
from trace.web.cells import Mark, Moment, Ref
from trace.web.faults import tenths
from trace.web.tables import Column, Table

FINDINGS, DECISION, DOING, CLOSED = "waits for findings", "waits for a disposition", "waits to be closed", "closed"


def find_states(returns: Collection[Return]) -> dict[int, str]:
    """What each return waits for: findings, while nothing was found wrong since it came nor anything decided; a
    disposition that is approved; to be closed. As many queries as `find_dispositions` takes, and one."""
    waiting = [one for one in returns if one.closed is None]
    decided = find_dispositions({("unit", one.unit.key) for one in waiting}) if waiting else {}
    found: dict[int, int] = {}
    for unit, moment in Fault.objects.filter(unit__in=[one.unit_id for one in waiting], superseded=None).values_list(
        "unit", "found"
    ):
        found[unit] = max(found.get(unit, 0), moment)
    states = {}
    for one in returns:
        disposition = decided.get(("unit", one.unit.key))
        if one.closed is not None:
            states[one.pk] = CLOSED
        elif disposition and disposition.decided >= from_ticks(one.received):
            states[one.pk] = DOING
        else:
            states[one.pk] = DECISION if found.get(one.unit_id, 0) >= one.received else FINDINGS
    return states


def say_age(one: Return, now: datetime) -> str:
    """How long a return has been, or was, open: in days."""
    until = now if one.closed is None else from_ticks(one.closed)
    days = (until - from_ticks(one.received)) // timedelta(days=1)
    return f"{days} day{'s' * (days != 1)}"


def returns_table(returns: Any, now: datetime, title: str, name: str, empty: str) -> Table:
    """Returns, each with what it waits for."""
    rows = list(returns)
    states = find_states(rows)
    return Table(
        name,
        title,
        [
            Column("return", "Return", lambda one: Ref("return", one.key)),
            Column("unit", "Unit", lambda one: Ref("unit", one.unit.key)),
            Column("product", "Product", lambda one: Ref("part", one.unit.part.key, one.unit.part.name), choose=True),
            Column(
                "customer", "Customer", lambda one: Ref("customer", one.customer.key, one.customer.name), choose=True
            ),
            Column("complaint", "Complaint", lambda one: one.complaint),
            Column("fault", "Fault", lambda one: one.code.name if one.code else "no fault code", choose=True),
            Column("received", "Received", lambda one: Moment(one.received)),
            Column("age", "Open for", lambda one: say_age(one, now)),
            Column("state", "State", lambda one: states[one.pk], choose=True),
            Column("came", "What came of it", lambda one: one.disposition.decision if one.disposition else ""),
        ],
        rows,
        empty,
    )


def counted_table(found: ReturnLog) -> Table:
    """Returns by kind, beside what was shipped."""

    def kind(row: CountedReturns) -> Any:
        return (
            row.words
            if found.by == "complaint"
            else Ref("part" if found.by == "product" else found.by, row.key, row.words)
        )

    return Table(
        "kinds",
        f"Counted by {BY[found.by]}",
        [
            Column("kind", BY[found.by].capitalize(), kind),
            Column("returns", "Returns", lambda row: row.returns, number=True),
            Column("units", "Units returned", lambda row: row.units, number=True),
            Column("shipped", "Units shipped in that time", lambda row: row.shipped, number=True),
            Column("per", "Returned per thousand shipped", lambda row: tenths(row.per_thousand), number=True),
        ],
        found.counted,
        "Nothing was returned in this time.",
        note="A unit that came back twice is two returns of one unit. What is returned in a time was mostly shipped "
        "before it: of a short one the rate says little.",
    )


def looked_table(looked: Collection[Looked]) -> Table:
    """What is on record at each place for a unit, and what was found."""

    def recorded(one: Looked) -> Any:
        if one.recorded:
            return Ref("unit", one.recorded.key)
        return Mark("unknown") if one.unknown else "nothing"

    def found(one: Looked) -> Any:
        if one.found is None:
            return "not looked at"
        return Ref("unit", one.found.child.key) if one.found.child else "nothing"

    return Table(
        "looked",
        "Tear-down: what is found beside what the record says",
        [
            Column("in", "In", lambda one: Ref("unit", one.holder.key)),
            Column("place", "Place", lambda one: one.designator),
            Column("part", "Part", lambda one: Ref("part", one.part.key, one.part.name)),
            Column("recorded", "On record when it came", recorded),
            Column("found", "Found", found),
            Column("state", "State", lambda one: one.state, choose=True),
            Column("means", "What that means", lambda one: one.words),
            Column("when", "Seen", lambda one: Moment(one.found.since) if one.found else ""),
        ],
        list(looked),
        "It has no place for a unit.",
        note="The lots of parts without a serial stand on the page of the unit; what is wrong with one is a fault.",
    )


def findings_table(units: Collection[Unit], since: int) -> Table:
    """What was found wrong with these units since a moment."""
    faults = Fault.objects.filter(unit__in=units, found__gte=since, superseded=None)
    unanswered = {fault.pk for faults_of in list_open_faults(units).values() for fault in faults_of}
    return Table(
        "findings",
        "Findings",
        [
            Column("found", "Found", lambda one: Moment(one.found), "found"),
            Column("unit", "In", lambda one: Ref("unit", one.unit.key), "unit__key"),
            Column("fault", "Fault", lambda one: one.words, "code__name"),
            Column("note", "Remark", lambda one: one.note),
            Column("state", "State", lambda one: Mark("open" if one.pk in unanswered else "mended")),
            Column("by", "By", lambda one: Ref("person", one.by.key, one.by.name), "by__key"),
        ],
        faults.select_related("unit", "code", "by").order_by("-found", "-pk"),
        "Nothing was found wrong with it since it came.",
    )


def count_waiting(request: HttpRequest) -> int:
    """How many returns wait for findings or a disposition, for who may do anything about that."""
    if not may(roles_of(request.user), OPERATIONS["decide_disposition"] | OPERATIONS["record_fault"]):
        return 0
    waiting = list(list_open_returns().select_related("unit"))
    return sum(state in (FINDINGS, DECISION) for state in find_states(waiting).values())
