"""Tapes: what is built, mounted and free; the plan of a new one; the page of each."""

from __future__ import annotations

from django.db.models import Q, QuerySet
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.clock import OPEN, now
from trace.core.errors import NotFound, Refusal
from trace.core.keys import clean_key, label_text, read_label
from trace.core.models import Device
from trace.engineering.models import Part, Placement, Station, Step
from trace.engineering.queries import list_insertion_order
from trace.exchange.statuses import status_of
from trace.floor.models import Pass
from trace.floor.remaining import find_pace
from trace.floor.tapes import find_mount, find_next_board_set, find_slip, plan_from_stock, read_building
from trace.material.models import Mount, Tape
from trace.material.operations.setups import start_tape
from trace.material.sequencing import PlanRefused, TapePlan
from trace.web.answer import holds_table, list_open_holds
from trace.web.approvals import approval_links, approval_tables
from trace.web.forms import asking
from trace.web.moments import Asof, read_asof
from trace.web.strip import draw_strip, strip_table
from trace.web.tables import respond
from trace.web.tapes import (
    drawn_table,
    list_standing,
    mounts_table,
    plan_tables,
    readings_table,
    stops_table,
    tape_facts,
    tapes_table,
    where_words,
)
from trace.web.timeline import record_table

ASKED = ("part", "step", "board_sets", "heads", "spacing")


def tapes(request: HttpRequest) -> HttpResponseBase:
    """Every tape, and what it is doing."""
    rows = list_standing()
    counts = {state: sum(row.state == state for row in rows) for state in ("being built", "mounted", "free")}
    return respond(request, "tapes.html", {"counts": counts.items()}, [tapes_table(rows)], name="tapes")


def plan(request: HttpRequest) -> HttpResponseBase:
    """The plan of a tape: asked for by what is in the address, and begun by its key."""
    asked = {name: request.GET.get(name, "").strip() for name in ASKED}
    key, where = request.POST.get("key", ""), request.POST.get("station")
    made: TapePlan | None = None
    refusal: Refusal | None = None
    assembly: Part | None = None
    if asked["part"]:
        try:
            assembly = _find_assembly(asked["part"])
            made = _plan(assembly, asked)
            if request.method == "POST":
                tape = start_tape(
                    key=key,
                    assembly=assembly,
                    sequence=made.sequence,
                    heads=made.as_heads(),
                    board_sets=made.board_sets,
                    station=_find_station(where) if where else None,
                    **asking(request),
                )
                return redirect("build-tape", tape.key)
        except Refusal as refused:
            refusal = refused
    context = {
        "asked": asked,
        "key": key,
        "stations": Station.objects.filter(retired=None),
        "at": _stations_here(request) if where is None else [where],
        "plan": made,
        "assembly": assembly,
        "refusal": refusal,
        "assemblies": _list_assemblies(),
        "steps": Step.objects.filter(part=assembly).order_by("number") if assembly else [],
        "by_bom": assembly is not None and not list_insertion_order(assembly),
    }
    tables = plan_tables(made) if made else []
    response = respond(request, "plan_tape.html", context, tables, name="plan")
    response.status_code = status_of(refusal) if refusal else 200
    return response


def _list_assemblies() -> QuerySet[Part]:
    """What may be on a tape: what has components, products only with placements of their own."""
    components = Q(designators__line__child__kind=Part.Kind.COMPONENT, designators__line__child__serialised=False)
    placed = ~Q(kind=Part.Kind.PRODUCT) | Q(pk__in=Placement.objects.values("assembly"))
    return Part.objects.filter(components, placed, retired=None).distinct().order_by("key")


def _find_assembly(key: str) -> Part:
    found = Part.objects.filter(key=clean_key(key), level__gt=0).first()
    if found is None:
        raise NotFound(f"No assembly has the key {key[:60]}.", action="Choose one from the list.")
    return found


def _find_station(key: str) -> Station:
    found = Station.objects.filter(key=clean_key(key), retired=None).first()
    if found is None:
        raise NotFound(f"No station has the key {key[:60]}.", action="Choose one from the list.")
    return found


def _stations_here(request: HttpRequest) -> list[str]:
    """The stations of the device that asks, by their keys."""
    device: Device | None = request.device  # type: ignore[attr-defined]
    return device.stations if device else []


def _plan(assembly: Part, asked: dict[str, str]) -> TapePlan:
    step = _whole(asked["step"], "The step") if asked["step"] else None
    return plan_from_stock(
        assembly,
        step=step,
        board_sets=_whole(asked["board_sets"], "The number of board sets"),
        heads=_whole(asked["heads"], "The number of heads"),
        spacing=_whole(asked["spacing"], "The spacing"),
        at=now(),
    )


def _whole(text: str, what: str) -> int:
    if not text.isascii() or not text.isdecimal() or len(text) > 8:
        raise PlanRefused(f"{what} is missing or no number.", action="Enter a whole number.")
    return int(text)


def tape(request: HttpRequest, key: str) -> HttpResponseBase:
    """One tape: the strip, and what was done with it. `?suspect=KEY` sets a container or a lot apart."""
    it = find_tape(key)
    building, mount, following = read_building(it), find_mount(it), find_next_board_set(it)
    suspect = request.GET.get("suspect", "").strip()
    strip = draw_strip(it, read_label(suspect) if suspect else "")
    passes = Pass.objects.filter(axis__tape=it, superseded=None).exclude(drew=Pass.Drew.NONE)
    passes = passes.select_related("unit", "station")
    drawn = passes.filter(ended__lt=OPEN, drew=Pass.Drew.ALL).count()
    tables = [
        strip_table(strip),
        drawn_table(passes),
        mounts_table(Mount.objects.filter(tape=it)),
        stops_table(building.stops, it.links),
        readings_table(it),
        *approval_tables("tape", it.key),
        record_table("tape", it.key, Asof()),
    ]
    holds = list_open_holds([("tape", it.key)], Asof())
    if holds.exists():
        tables.insert(0, holds_table(holds))
    context = {
        "it": it,
        "building": building,
        "where": where_words(building),
        "mount": mount,
        "slip": find_slip(it),
        "drawn": drawn,
        "perhaps": passes.count() - drawn,
        "strip": strip,
        "facts": tape_facts(building, mount, following, find_pace(mount.station, now()) if mount else None),
        "label": label_text(it.key),
        "asked": read_asof(request).moment,
        "links": approval_links(request, "tape", it.key),
    }
    return respond(request, "tape.html", context, tables, name=f"tape-{it.key}")


def find_tape(key: str) -> Tape:
    """The tape of a key, or NotFound."""
    found = Tape.objects.select_related("assembly").filter(key=clean_key(key)).first()
    if found is None:
        raise NotFound(f"No tape has the key {key[:60]}.", action=f"All tapes are under {reverse('tapes')}.")
    return found
