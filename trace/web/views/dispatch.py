"""Packing and dispatch: what waits, and the desks at which a carton is packed, a pallet stacked, a shipment loaded.

One scan line, one answer, as where a station is set up: what was counted into a carton stands in the address until it
is closed.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import replace
from io import StringIO
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.keys import clean_key
from trace.core.secrecy import clean_scan
from trace.exchange.spreadsheet import inert
from trace.floor.models import Customer
from trace.floor.operations.cartons import start_carton
from trace.floor.operations.dispatch import open_shipment
from trace.floor.operations.pallets import start_pallet
from trace.floor.packing import get_carton, get_pallet, get_shipment
from trace.labels.cartons import make_carton_label, make_pallet_label
from trace.labels.packing_list import CSV_HEADS, list_csv_rows, make_packing_list, print_packing_list
from trace.labels.paper import SIZES, print_singles
from trace.web.answer import holds_table
from trace.web.deeds import Ask, Deed, carry_out, list_permitted
from trace.web.desks import OPENS
from trace.web.dispatch import (
    DESKS,
    WHO_RELEASES,
    closed_cartons_table,
    finished_table,
    list_finished,
    open_cartons_table,
    pallets_table,
    say_done,
    shipments_table,
)
from trace.web.floor import list_on_floor
from trace.web.forms import do_or_show
from trace.web.kiosk import find_badge
from trace.web.scan import read_scan
from trace.web.station.desk import find_named
from trace.web.tables import Table
from trace.web.views.labels import pdf

LABEL = Ask("key", "Its label, if it has one already", "scan", needed=False)
NEW = (
    Deed(start_carton, "A new carton", (LABEL,), "Start a carton"),
    Deed(start_pallet, "A new pallet", (LABEL,), "Start a pallet"),
    Deed(open_shipment, "A new shipment", (Ask("customer", "Customer", "choose"), LABEL), "Open a shipment"),
)
"""What brings a new one; a shipment goes to one of the customers on record."""


def dispatch(request: HttpRequest) -> HttpResponseBase:
    """What waits to be packed, stacked, loaded and sent; a scanned label leads to where work is done with it."""
    choices = [(one.key, one.name) for one in Customer.objects.all()]
    deeds = [replace(deed, asks=[_offer(ask, choices) for ask in deed.asks]) for deed in NEW]

    def do() -> str:
        if request.POST.get("do"):
            made = carry_out(request, deeds)
            kind = made._meta.model_name
            return f"{reverse(DESKS[kind], args=[made.key])}?{urlencode({'done': request.POST['do'], 'of': made.key})}"
        text = clean_scan(request.POST.get("told", ""))
        found = [one for one in read_scan(text).found if one.kind in DESKS]
        if len(found) == 1:
            return reverse(DESKS[found[0].kind], args=[found[0].key])
        return f"{reverse('scan')}?{urlencode({'q': text})}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        finished = list_finished(list_on_floor())
        tables = [
            finished_table([one for units in finished.values() for one in units]),
            open_cartons_table(),
            closed_cartons_table(),
            pallets_table(),
            shipments_table(),
        ]
        waiting = {part: len(units) for part, units in finished.items()}
        return {"deeds": list_permitted(request, deeds), "releases": WHO_RELEASES, "waiting": waiting}, tables

    return do_or_show(request, "dispatch.html", do, show, "dispatch")


def _offer(ask: Ask, choices: Sequence[tuple[str, str]]) -> Ask:
    return replace(ask, choices=choices) if ask.name == "customer" else ask


def desk(request: HttpRequest, kind: str, key: str) -> HttpResponseBase:
    """Where a carton is packed, a pallet stacked or a shipment loaded: what is scanned is done or refused."""
    bench = OPENS[kind](clean_key(key))
    text = clean_scan(request.POST.get("told", ""))
    if request.method == "POST" and find_badge(text):
        return redirect(f"{reverse('scan')}?{urlencode({'q': text})}")
    bench.read(request)

    def do() -> str:
        verb = request.POST.get("do")
        if verb:
            given = bench.given(verb)
            carry_out(request, bench.deeds(), **given)
            told = next((request.POST[name] for name in ("unit", "carton", "cartons") if request.POST.get(name)), "")
            return bench.address(done=verb, of=clean_scan(told).partition(".")[0])
        return bench.take(text)

    def show() -> tuple[dict[str, Any], list[Table]]:
        holds = bench.list_holds()
        held = {hold.target_key for hold in holds if hold.target_kind == "unit"}
        context = {
            "it": bench.it,
            "kind": kind,
            "desk": bench,
            "shapes": {"go": {"kind": "go"}, "stop": {"kind": "stop"}},
            "said": say_done(request.GET.get("done", ""), request.GET.get("of", "")[:40]),
            "text": text,
            "stopped": find_named(text) if text else None,
            "deeds": list_permitted(request, bench.deeds()),
            "releases": WHO_RELEASES,
        }
        return context, [*bench.tables(held), *([holds_table(holds)] if holds else [])]

    return do_or_show(request, "desk.html", do, show, f"{kind}-{bench.it.key}")


def carton_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one carton, as large as was chosen."""
    it = get_carton(clean_key(key))
    return pdf(print_singles([make_carton_label(it)], request.GET.get("size", LARGEST)), f"label-{it.key}")


def pallet_label(request: HttpRequest, key: str) -> HttpResponse:
    """The label of one pallet, as large as was chosen."""
    it = get_pallet(clean_key(key))
    return pdf(print_singles([make_pallet_label(it)], request.GET.get("size", LARGEST)), f"label-{it.key}")


LARGEST = list(SIZES)[-1]
"""What is read from across an aisle."""


def packing_list(request: HttpRequest, key: str) -> HttpResponse:
    """The packing list of a shipment as PDF."""
    it = get_shipment(clean_key(key))
    return pdf(print_packing_list(make_packing_list(it)), f"packing-list-{it.key}")


def packing_list_csv(request: HttpRequest, key: str) -> HttpResponse:
    """The packing list of a shipment as CSV: a line for each serial."""
    it = get_shipment(clean_key(key))
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(CSV_HEADS)
    writer.writerows([inert(cell) for cell in row] for row in list_csv_rows(make_packing_list(it)))
    return HttpResponse(
        f"\ufeff{text.getvalue()}",  # Excel reads UTF-8 only behind a byte order mark.
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="packing-list-{it.key}.csv"'},
    )
