"""The line: units at each station, pace against takt, the slowest station, yields; the rows behind the numbers."""

from __future__ import annotations

from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from trace.core.clock import now
from trace.engineering.models import Station
from trace.engineering.queries import get_station
from trace.quality.lines import list_areas, list_products
from trace.quality.periods import CHOICES
from trace.quality.queries import MOST_UNITS, list_passes
from trace.quality.standing import Standing, ask_line
from trace.web.line import asked, list_facts, parts_table, passes_table, stations_table, units_table
from trace.web.tables import respond

SECTION = "line"
"""The part of the page that is refreshed by itself."""


def line(request: HttpRequest) -> HttpResponseBase:
    """How a line stands now; the answer alone where the page refreshes it."""
    standing = _read(request)
    context = {
        "standing": standing,
        "facts": list_facts(standing),
        "again": urlencode(asked(standing)),
        "areas": list_areas(),
        "products": list_products(),
        "choices": CHOICES,
        "period": request.GET.get("period", ""),
        "refreshed": request.GET.get("refresh") != "off",
        "most": MOST_UNITS,
    }
    alone = request.htmx and request.htmx.target == SECTION  # type: ignore[attr-defined]
    template = "pieces/line.html" if alone else "line.html"
    return respond(request, template, context, [stations_table(standing), parts_table(standing)], name="line")


def units(request: HttpRequest) -> HttpResponseBase:
    """The units on the line."""
    standing, station = _read(request), _read_station(request)
    context = {"standing": standing, "station": station, "again": urlencode(asked(standing))}
    return respond(request, "line_units.html", context, [units_table(standing, station)], name="line")


def passes(request: HttpRequest) -> HttpResponseBase:
    """What passed on the line in the period, or did not."""
    standing, station = _read(request), _read_station(request)
    found = list_passes(standing.line, standing.period)
    found = found.filter(station=station) if station else found
    context = {"standing": standing, "station": station, "again": urlencode(asked(standing))}
    return respond(request, "line_passes.html", context, [passes_table(found)], name="line")


def _read(request: HttpRequest) -> Standing:
    sent = request.GET
    period, first, last = (sent.get(name, "") for name in ("period", "from", "to"))
    return ask_line(now(), sent.get("area"), sent.get("product"), period, first, last)


def _read_station(request: HttpRequest) -> Station | None:
    key = request.GET.get("station", "")
    return get_station(key) if key else None
