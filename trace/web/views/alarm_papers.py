"""The report of a containment as a page and on paper; notices on paper."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from trace.containment.population import get_containment, reckon
from trace.containment.shipped import get_notice
from trace.core.keys import clean_key
from trace.core.permissions import COSTS, may, roles_of
from trace.labels.alarm_report import arrange, list_sections, make_report, print_report
from trace.labels.held import make_held_labels
from trace.labels.notice import print_notice
from trace.labels.paper import MOST, print_sheets
from trace.web.views.labels import pdf

HELD_SHEET = "2x7"
"""The sheet for these labels: they have to be read from afar."""


@require_GET
def report(request: HttpRequest, key: str) -> HttpResponse:
    """The report to be read; `?eight=1` under the headings of the eight disciplines."""
    it = get_containment(clean_key(key))
    eight = "eight" in request.GET
    sections = list(list_sections(make_report(it, reckon(it)), costs=may(roles_of(request.user), COSTS)))
    return render(request, "containment_report.html", {"it": it, "eight": eight, "sections": arrange(sections, eight)})


@require_GET
def report_pdf(request: HttpRequest, key: str) -> HttpResponse:
    """The report on paper; `?eight=1` under the headings of the eight disciplines."""
    it = get_containment(clean_key(key))
    made = make_report(it, reckon(it))
    sections = list(list_sections(made, costs=may(roles_of(request.user), COSTS)))
    eight = "eight" in request.GET
    return pdf(print_report(made, sections, eight=eight), f"containment-{it.key}{'-8d' * eight}")


@require_GET
def held_labels(request: HttpRequest, key: str) -> HttpResponse:
    """Labels for what is held, on a sheet of the size that `?paper=` names; so many as are printed together, from the
    `?from=` (1 is the first) on."""
    it = get_containment(clean_key(key))
    asked = request.GET.get("from", "1")
    first = int(asked) if asked.isascii() and asked.isdecimal() and len(asked) < 9 else 1
    made = make_held_labels(it, max(first - 1, 0), MOST)
    return pdf(print_sheets(made, request.GET.get("paper", HELD_SHEET)), f"held-{it.key}")


@require_GET
def notice_pdf(request: HttpRequest, key: str) -> HttpResponse:
    """A notice on paper."""
    it = get_notice(clean_key(key))
    return pdf(print_notice(it), f"notice-{it.key}")
