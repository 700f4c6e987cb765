"""A station's page as small as can be, to try the scans that a browser keeps: scan a unit in, say its result.

Routes of the plant with this page beside them; `open_bench` lets those at stations open it.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.csrf import get_token
from django.template import Context, Engine
from django.template.loader import get_template
from django.urls import path
from django.utils.safestring import mark_safe

from trace.core.keys import read_label
from trace.core.permissions import PAGES, STATIONS
from trace.engineering.queries import get_station
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.queries import get_open_pass, get_unit, list_refused_scans
from trace.urls import urlpatterns as ours
from trace.web.kept import Answer, Kept, answer_scan, make_ticket, stamp

SECTION = """
<section id="station"><h1 id="said" tabindex="-1">{{ said }}</h1>
{% if refusal %}<div class="stop" role="alert">{{ refusal.message }} {{ refusal.action }}</div>{% endif %}
<form method="post" action="{{ address }}" data-kept data-says="Scan in {unit}">{% csrf_token %}
<input type="hidden" name="ticket" value="{{ ticket }}"><input type="hidden" name="do" value="in">
<label for="unit">Unit</label><input id="unit" name="unit" data-unit required autocomplete="off">
<button>Scan in</button></form>
{% if inside %}<form method="post" action="{{ address }}" data-kept>{% csrf_token %}
<input type="hidden" name="ticket" value="{{ ticket }}"><input type="hidden" name="do" value="out">
<input type="hidden" name="unit" value="{{ inside }}" data-unit>
<button name="outcome" value="passed" data-says="{unit} passed">Passed</button></form>{% endif %}
<p>{{ refused }} refused</p></section>
"""
PAGE = """
{% extends "base.html" %}{% block title %}Bench{% endblock %}{% block scan_line %}{% endblock %}
{% block main %}{% include "pieces/kept.html" %}{{ section }}
<template id="away"><h1>The server is away</h1>
<form method="post" action="{{ address }}" data-kept data-says="Scan in {unit}">
<input type="hidden" name="ticket" value="{{ ticket }}"><input type="hidden" name="do" value="in">
<label for="unit">Unit</label><input id="unit" name="unit" data-unit required autocomplete="off">
<button>Scan in</button></form>
<form method="post" action="{{ address }}" data-kept data-needs-last>
<p>Kept last: <span data-last></span></p>
<input type="hidden" name="ticket" value="{{ ticket }}"><input type="hidden" name="do" value="out">
<input type="hidden" name="unit" data-last data-unit>
<button name="outcome" value="passed" data-says="{unit} passed">Passed</button></form></template>
{% endblock %}
"""


def bench(request: HttpRequest, key: str) -> HttpResponseBase:
    """Scan in, or out with a result."""
    station, answer = get_station(key), Answer()

    def act(kept: Kept) -> Any:
        unit = get_unit(read_label(request.POST.get("unit", "")))
        done = {"unit": unit, "by": kept.by, "at": kept.at, "request": kept.request}
        if request.POST.get("do") == "out":
            return finish_pass(outcome=request.POST["outcome"], **done)
        return start_pass(station=station, **done)

    if request.method == "POST":
        answer = answer_scan(request, station, act)
    unit = answer.result and answer.result.unit
    inside = unit and get_open_pass(unit)
    context = {
        "said": f"{unit.key} is {'inside' if inside else 'out'}" if unit else "Scan a unit",
        "refusal": answer.refusal,
        "ticket": make_ticket(request, station),
        "address": request.path,
        "inside": unit.key if inside else "",
        "refused": list_refused_scans(station).count(),
        "station": station,
        "request": request,
    }
    engine: Engine = get_template("home.html").backend.engine  # type: ignore[attr-defined]
    told = Context({**context, "user": request.user})
    told["csrf_token"] = get_token(request)
    section = engine.from_string(SECTION).render(told)
    if request.method == "POST":
        return stamp(request, HttpResponse(section), answer)
    told["section"] = mark_safe(section)
    return HttpResponse(engine.from_string(PAGE).render(told))


urlpatterns = [*ours, path("station/<str:key>/bench/", bench, name="bench")]
handler403, handler404 = "trace.web.views.entry.forbidden", "trace.web.views.entry.not_found"


def open_bench(patch: pytest.MonkeyPatch) -> None:
    """The page has a route and is among those that open."""
    patch.setitem(PAGES, "bench", STATIONS)  # type: ignore[arg-type]
