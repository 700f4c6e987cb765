"""Unit: its state, the tree as built against as designed, what happened to it, its history on paper."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse

from trace.core.keys import clean_key
from trace.core.permissions import roles_of
from trace.floor.faults import wants_review
from trace.floor.models import Unit
from trace.floor.naming import list_named_units
from trace.floor.queries import find_last_failure, get_unit
from trace.genealogy.backward import trace_backward
from trace.genealogy.whereabouts import Place
from trace.web.answer import where_cell
from trace.web.approvals import approval_links
from trace.web.asbuilt import read_tree
from trace.web.cells import Link, Moment, Ref, Several
from trace.web.designed import list_conformities, say_design
from trace.web.faults import repair_links
from trace.web.life import Life
from trace.web.moments import Asof, looks_back, read_asof
from trace.web.printed import print_life
from trace.web.samples import list_samples_of
from trace.web.tables import respond
from trace.web.views.labels import pdf

MANY = 150
"""Of more places than these each branch is fetched once it is opened."""


@looks_back
def unit(request: HttpRequest, key: str) -> HttpResponseBase:
    """A unit's page."""
    it = get_unit(clean_key(key))
    asof = read_asof(request)
    life = Life(it, asof)
    find = request.GET.get("find", "").strip()[:100]
    where = life.trail
    every = [place for child in life.built.walk() for place in child.places]
    waits = where[-1].kind in (Place.WAITING, Place.AT_STATION)
    failed = None if asof.given or where[-1].kind != Place.WAITING else find_last_failure(it)
    context: dict[str, Any] = {
        "unit": it,
        "asof": asof,
        "design": life.design,
        "conformities": list_conformities(it, asof),
        "compared_places": len(life.compared),
        "compared": say_design(life.compared, asof),
        "trail": [where_cell(place) for place in where],
        "finished": life.finished,
        "since": where[-1].since or None,
        "due": life.due if waits else None,
        "failed": failed,
        "to_review": failed is not None and wants_review(it, failed.step),
        "lost": where[0].kind == Place.UNKNOWN,
        "tree": read_tree(life.built, find),
        "lazy": len(every) > MANY and not find,
        "find": find,
        "replaced": _say_replaced(it, request.GET.get("scanned", "")),
        "links": [
            *life.looks_back(),
            Link("Its history as PDF", reverse("unit-history", args=[it.key]) + asof.query),
            Link("What goes in and out of it", reverse("unit-inside", args=[it.key])),
            Link("Its label", reverse("unit-label", args=[it.key])),
            *repair_links(it, roles_of(request.user)),
            *approval_links(request, "unit", it.key),
        ],
        "samples": list_samples_of(it, asof),
        "inside": where[0].kind == Place.AT_STATION,
        "places": len(every),
        "filled": sum(place.filled for place in every),
        "perhaps": sum(place.perhaps_filled for place in every),
        "children": len(life.inside) - 1,
        "lots": life.in_it,
        "facts": [
            ("Part", Ref("part", life.design.key, life.design.name)),
            ("Work order", Ref("workorder", it.order.key)),
            ("Ordered", Moment(it.created)),
            *_rack_fact(it, asof),
            *_returns_fact(it, asof),
        ],
    }
    return respond(request, "unit.html", context, life.tables(), name=f"unit-{it.key}")


@looks_back
def branch(request: HttpRequest, key: str) -> HttpResponse:
    """One branch of a tree, for the page that it is opened on: the places of a unit, or with `?part=` those of one
    part. Each unit in it is a branch again."""
    it = get_unit(clean_key(key))
    asof = read_asof(request)
    tree = read_tree(trace_backward(it, asof.ticks, depth=1))
    context: dict[str, Any] = {"asof": asof, "tree": tree, "lazy": True}
    if "part" in request.GET:
        group = next((one for one in tree.groups if one.part == request.GET["part"]), None)
        return render(request, "pieces/places.html", {**context, "group": group})
    return render(request, "pieces/tree.html", context)


@looks_back
def history(request: HttpRequest, key: str) -> HttpResponse:
    """A unit's whole history as PDF."""
    it = get_unit(clean_key(key))
    asof = read_asof(request)
    return pdf(print_life(Life(it, asof)), f"history-{it.key}{asof.mark}")


def _say_replaced(it: Unit, scanned: str) -> str:
    """What to say of the label by which somebody came here."""
    return next((named.replaced for named in list_named_units(scanned[:200]) if named.unit == it), "")


def _returns_fact(it: Unit, asof: Asof) -> list[tuple[str, Any]]:
    """In which returns it came back, if it did."""
    back = it.returns.filter(superseded=None, received__lte=asof.ticks).order_by("received")
    return [("Returned", Several(tuple(Ref("return", one.key) for one in back)))] if back else []


def _rack_fact(it: Unit, asof: Asof) -> list[tuple[str, Any]]:
    """The slot of a rack or the place in a panel in which it stands, if it does."""
    stands = it.carried.filter(superseded=None, since__lte=asof.ticks).exclude(until__lte=asof.ticks)
    return [
        (one.carrier.get_kind_display().capitalize(), Several((Ref("carrier", one.carrier.key), f"slot {one.slot}")))
        for one in stands.select_related("carrier")
    ]
