"""The cost of quality of a period: by heading and line by line, and entering what no other record tells of."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import now
from trace.costing.quality_cost import CHOICES, USUAL, QualityCost, QualityLine, QualityReport, ask_quality_cost
from trace.engineering.models import QualityHeading
from trace.engineering.operations import record_outlay, void_outlay
from trace.web.cells import Money, Ref
from trace.web.costs import say_each
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.middleware import find_site
from trace.web.tables import Column, Table

ASKED = ("period", "from", "to", "sales")


def quality_cost(request: HttpRequest) -> HttpResponseBase:
    """What quality cost in a period, under its four headings."""
    asked = {name: request.GET.get(name, "") for name in ASKED}
    report = ask_quality_cost(now(), asked) if find_site() else None
    deeds = _list_deeds(report.cost) if report else []

    def do() -> str:
        carry_out(request, deeds)
        told = {name: text for name, text in asked.items() if text}
        return f"{reverse('quality-cost')}?{urlencode({**told, 'done': request.POST['do']})}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        context: dict[str, Any] = {
            "report": report,
            "asked": asked,
            "choices": CHOICES,
            "usual": [(heading.label, ", ".join(words)) for heading, words in USUAL.items()],
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, deeds),
        }
        return context, [_headings_table(report), _lines_table(report)] if report else []

    return do_or_show(request, "quality_cost.html", do, show, name="quality-cost")


def _list_deeds(cost: QualityCost) -> list[Deed]:
    headings = [(str(heading.value), str(heading.label)) for heading in QualityHeading]
    entered = [(str(one.pk), f"{one.day} {one.words}") for line in cost.lines if (one := line.entered)]
    enter = Deed(
        record_outlay,
        "Money was spent on quality",
        (
            Ask("day", "On which day", "day"),
            Ask("heading", "Heading", "choose", choices=headings),
            Ask("words", "For what"),
            Ask("amount", f"How much, {cost.currency}", "number"),
        ),
        note="What follows from the records is not entered here again: tests, repairs, retests, scrap.",
    )
    void = Deed(
        void_outlay,
        "It was entered wrongly",
        (Ask("outlay", "Which", "choose", choices=entered), Ask("reason", "Why")),
        "Void it",
    )
    return [enter, *([void] if entered else [])]


def _headings_table(report: QualityReport) -> Table:
    cost = report.cost
    rows = [*cost.by_heading.items(), ("together", cost.total)]
    return Table(
        "headings",
        "By heading",
        [
            Column("heading", "Heading", lambda row: getattr(row[0], "label", row[0])),
            Column("amount", f"Amount, {cost.currency}", lambda row: Money(row[1], cost.currency), number=True),
            Column("share", "Of the cost of quality, %", lambda row: cost.find_share(row[1]), number=True),
            Column("sales", "Of sales, %", lambda row: cost.find_percent(row[1]), number=True),
        ],
        rows,
        "Nothing.",
    )


def _lines_table(report: QualityReport) -> Table:
    cost = report.cost

    def basis(row: QualityLine) -> str:
        if row.line is None:
            return "entered"
        return f"{row.line.quantity.normalize():f} × {say_each(row.line, cost.currency)}"

    def by(row: QualityLine) -> Ref | str:
        return Ref("person", row.entered.by.key, row.entered.by.name) if row.entered else ""

    return Table(
        "lines",
        "Line by line",
        [
            Column("heading", "Heading", lambda row: row.heading.label, choose=True),
            Column("what", "For", lambda row: row.words),
            Column("day", "Day", lambda row: row.entered.day.isoformat() if row.entered else ""),
            Column("count", "How many", lambda row: row.line.count if row.line else None, number=True),
            Column("basis", "Reckoned", basis),
            Column("by", "By", by),
            Column("amount", f"Amount, {cost.currency}", lambda row: Money(row.amount, cost.currency), number=True),
        ],
        cost.lines,
        "Nothing is on record in this time that cost anything, and nothing was entered.",
    )
