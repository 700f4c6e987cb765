"""The page of a station: one scan line, one answer, and what to do on the unit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from csp.decorators import csp_update
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.shortcuts import render

from trace.core.clock import now
from trace.core.keys import code_of
from trace.engineering.models import Station
from trace.engineering.queries import get_station
from trace.floor.models import Pass
from trace.floor.operations.readings import ReadingRefused
from trace.labels.paper import SIZES, print_singles
from trace.labels.results import RESULTS, make_result_labels
from trace.web.kept import Kept, answer_scan, make_ticket, stamp
from trace.web.station.acting import act
from trace.web.station.bench import Bench, Due, Together, read_typed
from trace.web.station.desk import Desk
from trace.web.station.onward import find_onward
from trace.web.station.showing import Shown, ShownCarrier, find_shown, open_desk, read_home, with_work
from trace.web.station.telling import refuse, says_of, tell


@csp_update({"script-src": ["'wasm-unsafe-eval'"]})  # type: ignore[arg-type]  # what reads the camera is compiled
def station(request: HttpRequest, key: str) -> HttpResponseBase:
    """What is scanned here acts; the page says go or stop, and what to do. A browser that keeps scans gets the answer
    alone, and fetches what is not needed for it afterwards."""
    it = get_station(key)
    if request.method == "POST":
        return _answer(request, it)
    desk = Desk.of(request.GET)
    target = getattr(request, "htmx", None) and request.htmx.target  # type: ignore[attr-defined]
    if target == "work" and isinstance(shown := find_shown(it, desk), Shown):
        typed = read_typed(request.GET)
        return render(
            request, "pieces/station_work.html", {"it": it, "shown": with_work(shown, it, now()), "typed": typed}
        )
    if target == "home":
        return render(request, "pieces/station_home.html", _home(it, request.GET.get("after", "")))
    desk = open_desk(it, desk)
    return _whole(request, it, {"desk": desk, "shown": find_shown(it, desk), "typed": {}})


def _answer(request: HttpRequest, it: Station) -> HttpResponseBase:
    desk = Desk.of(request.POST)

    benches: list[Bench] = []

    def work(kept: Kept) -> Any:
        benches.append(bench := Bench(request, it, desk, kept))
        return act(bench)

    answer = answer_scan(request, it, work)
    say, after = (refuse(answer.refusal, it), desk) if answer.refusal else tell(answer.result, desk)
    say = replace(say, notice="".join(bench.notice for bench in benches))
    alone = "Kept-Id" in request.headers
    if say.opens and not alone:
        return HttpResponseRedirect(say.opens)
    typed = read_typed(request.POST) if isinstance(answer.refusal, ReadingRefused) else {}
    shown = _shown(it, answer.result, after)
    context = {"say": say, "desk": after, "shown": shown, "after": _ended(answer.result), "typed": typed}
    if alone:
        response = render(request, "pieces/station.html", {"it": it, "ticket": make_ticket(request, it), **context})
    else:
        response = _whole(request, it, context)
    return stamp(request, response, answer, say.kind, says_of(say))


def _whole(request: HttpRequest, it: Station, context: dict[str, Any]) -> HttpResponse:
    """The page with all that is on it."""
    shown: Shown | ShownCarrier | None = context["shown"]
    more = {} if shown else _home(it, context.get("after", ""))
    if isinstance(shown, Shown):
        more = {"shown": with_work(shown, it, now())}
    return render(request, "station.html", {"it": it, "ticket": make_ticket(request, it), **context, **more})


def _home(it: Station, after: str) -> dict[str, Any]:
    return {"it": it, "home": read_home(it, now()), "onward": find_onward(after)}


def _shown(it: Station, result: Any, desk: Desk) -> Shown | ShownCarrier | None:
    """The unit that is shown after a scan, without another look where the scan was its own."""
    if isinstance(result, Pass) and result.inside:
        return Shown(result.unit, result.step, True)
    if isinstance(result, Due):
        return Shown(result.unit, result.step, False)
    return find_shown(it, desk)


def _ended(result: Any) -> str:
    """The serial of the unit whose work here has just ended, however it did, or the code of the rack or panel."""
    if isinstance(result, Together):
        return code_of("carrier", result.carrier.key) if result.outcome else ""
    entry = result[0] if isinstance(result, list) else result
    return entry.unit.key if isinstance(entry, Pass) and entry.outcome in RESULTS.values() else ""


def result_codes(request: HttpRequest) -> HttpResponse:
    """The codes of results, to be printed and scanned in place of a press."""
    pdf = print_singles(make_result_labels(), request.GET.get("size", next(iter(SIZES))))
    return HttpResponse(
        pdf, content_type="application/pdf", headers={"Content-Disposition": 'inline; filename="results.pdf"'}
    )
