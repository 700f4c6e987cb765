"""After an outage: what was scanned meanwhile and refused; what was written on paper and is entered."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.http import FileResponse, HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.engineering.queries import get_station
from trace.floor.models import RefusedScan
from trace.floor.operations.refused import settle_refused_scan
from trace.floor.queries import list_refused_scans
from trace.web.cells import Moment, Ref
from trace.web.deeds import Ask, Deed, carry_out, list_permitted
from trace.web.forms import do_or_show
from trace.web.paper import Sheet
from trace.web.tables import Column, Table

SETTLING = Deed(
    settle_refused_scan,
    "Settle a refused scan",
    (Ask("scan", "Scan", "choose"), Ask("reason", "What became of the unit")),
    "Settle it",
    note="Look at the unit first. Where the work was done, enter it as it happened, or have it done again.",
)


@login_not_required
def worker(request: HttpRequest) -> FileResponse:
    """The script that opens a station's page while the server is away. It stands where those pages do, since it rules
    over what stands beside it alone."""
    path = finders.find("trace/worker.js")
    return FileResponse(open(str(path), "rb"), content_type="text/javascript; charset=utf-8")


def _why(scan: RefusedScan) -> str:
    return f"{scan.sentence.removeprefix('Stop. ')} {scan.action}"


def refused_scans(request: HttpRequest) -> HttpResponseBase:
    """What came late and was refused, until somebody settled it."""
    every = RefusedScan.objects.select_related("station", "unit", "by", "settled_by")

    def do() -> str:
        done = carry_out(request, [SETTLING])
        return f"{reverse('refused-scans')}?done={done.key}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        waiting = list(list_refused_scans().select_related("station", "unit", "by"))
        names = [(scan.key, f"{scan.key}: {scan.scanned}, at {scan.station.key}") for scan in waiting]
        asks = [replace(ask, choices=names) if ask.name == "scan" else ask for ask in SETTLING.asks]
        context = {
            "open": len(waiting),
            "deeds": list_permitted(request, [replace(SETTLING, asks=asks)]) if waiting else [],
            "done": every.filter(key=request.GET.get("done", "")[:40].replace("\x00", "")).first(),
        }
        return context, [
            _scans_table("open", "Refused scans to look at", waiting, "No scan waits to be looked at.", []),
            _scans_table(
                "settled",
                "Settled",
                every.exclude(settled=None).order_by("-settled", "-pk"),
                "None was settled yet.",
                [
                    Column("reason", "What became of it", lambda s: s.reason, "reason"),
                    Column("settled", "Settled", lambda s: Moment(s.settled), "settled"),
                    Column(
                        "settler", "By", lambda s: Ref("person", s.settled_by.key, s.settled_by.name), "settled_by__key"
                    ),
                ],
            ),
        ]

    return do_or_show(request, "refused_scans.html", do, show, name="refused-scans")


def _scans_table(name: str, title: str, rows: Any, empty: str, more: list[Column]) -> Table:
    return Table(
        name,
        title,
        [
            Column("scan", "Scan", lambda s: s.key, "key"),
            Column("scanned", "What was scanned", lambda s: s.scanned, "scanned"),
            Column("sentence", "Why it was refused", _why, "sentence"),
            Column("unit", "Unit", lambda s: Ref("unit", s.unit.key) if s.unit else "", "unit__key"),
            Column("station", "Station", lambda s: Ref("station", s.station.key), "station__key"),
            Column("happened", "Scanned", lambda s: Moment(s.happened), "happened"),
            Column("recorded", "Came in", lambda s: Moment(s.recorded), "recorded"),
            Column("by", "Scanned by", lambda s: Ref("person", s.by.key, s.by.name), "by__key"),
            *more,
        ],
        rows,
        empty,
        search=("key", "scanned", "unit__key", "station__key", "sentence"),
    )


def paper(request: HttpRequest, key: str) -> HttpResponseBase:
    """What a sheet of paper of a station says: its lines are looked at together, and recorded."""
    station = get_station(key)
    sheet = Sheet(request, station)

    def do() -> str:
        sheet.enter()
        return f"{reverse('paper', args=[station.key])}?{sheet.query}"

    return do_or_show(request, "paper.html", do, lambda: ({"station": station, "sheet": sheet}, []), name="paper")
