"""Unit: its state, the tree as built, what happened to it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from trace.core.keys import clean_key
from trace.floor.models import Fitting, Unit
from trace.floor.queries import find_due_step, get_unit
from trace.genealogy.backward import trace_backward
from trace.genealogy.rules import Sureness
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts
from trace.web.answer import holds_table, list_open_holds, where_cell
from trace.web.approvals import approval_links, approval_tables
from trace.web.asbuilt import read_tree
from trace.web.cells import Moment, Ref
from trace.web.contents import list_lots_in, lots_table
from trace.web.moments import Asof, looks_back, read_asof
from trace.web.tables import respond
from trace.web.timeline import record_table, timeline_table


@looks_back
def unit(request: HttpRequest, key: str) -> HttpResponseBase:
    """A unit's page."""
    it = get_unit(clean_key(key))
    asof = read_asof(request)
    built = trace_backward(it, asof.ticks)
    find = request.GET.get("find", "").strip()[:100]
    where = _trail(it, asof)
    lots = list_lots_in(built)
    inside = [child.key for child in built.walk()]
    every = [place for child in built.walk() for place in child.places]
    targets = [("unit", serial) for serial in inside]
    if where[-1].kind == Place.PACKED:
        targets.append(("carton", where[-1].key))
    context: dict[str, Any] = {
        "unit": it,
        "asof": asof,
        "trail": [where_cell(place) for place in where],
        "since": where[-1].since or None,
        "due": find_due_step(it) if not asof.given and where[-1].kind in (Place.WAITING, Place.AT_STATION) else None,
        "tree": read_tree(built, find),
        "find": find,
        "links": approval_links(request, "unit", it.key),
        "inside": where[0].kind == Place.AT_STATION,
        "places": len(every),
        "filled": sum(place.filled for place in every),
        "perhaps": sum(place.perhaps_filled for place in every),
        "children": len(inside) - 1,
        "lots": sum(one.sureness != Sureness.CLEARED for one in lots),
        "facts": [
            ("Part", Ref("part", it.part.key, it.part.name)),
            ("Work order", Ref("workorder", it.order.key)),
            ("Ordered", Moment(it.created)),
        ],
    }
    tables = [
        holds_table(list_open_holds(targets, asof), "Neither it nor anything in it is held."),
        lots_table(lots, f"?{f'at={asof.text}&' if asof.given else ''}find="),
        timeline_table(it, asof),
        *approval_tables("unit", it.key),
        record_table("unit", it.key, asof),
    ]
    return respond(request, "unit.html", context, tables, name=f"unit-{it.key}")


def _trail(it: Unit, asof: Asof) -> list[Whereabouts]:
    """Where a unit is, and where each unit that it is in is."""
    trail = [find_whereabouts([it.pk], asof.ticks)[it.pk]]
    seen = it.pk
    while trail[-1].kind == Place.FITTED:
        homes = Fitting.objects.filter(child=seen, superseded=None, since__lte=asof.ticks)
        homes = homes.exclude(until__lte=asof.ticks).exclude(doubted__lt=asof.ticks)
        seen = homes.values_list("unit", flat=True)[0]
        trail.append(find_whereabouts([seen], asof.ticks)[seen])
    return trail
