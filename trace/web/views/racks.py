"""Racks and panels: what is in each, and what is done with it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.keys import clean_key
from trace.floor.carrying import get_carrier
from trace.floor.models import Carrier, Unit
from trace.floor.naming import get_named_unit
from trace.floor.operations.carriers import finish_carrier, start_carrier
from trace.floor.operations.racks import define_rack, make_panel, part_panel, put_in_rack, take_from_rack
from trace.labels.paper import SIZES
from trace.web.answer import holds_table, list_open_holds
from trace.web.approvals import approval_links, approval_tables
from trace.web.cells import Link
from trace.web.corrections import corrections_table, list_corrections
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.moments import Asof
from trace.web.racks import (
    behind_table,
    carriers_table,
    find_last_scan,
    history_table,
    list_slots,
    slots_table,
    sum_up,
)
from trace.web.tables import Table
from trace.web.timeline import record_table

ORDERED = Ask("ordered", "Machines take them in order", "choose", needed=False, choices=[("yes", "yes"), ("no", "no")])
NEW = (
    Deed(
        make_panel,
        "Boards that are still one panel get its label",
        (
            Ask("key", "Label of the panel", "scan"),
            Ask("part", "Part number of the panel", "scan"),
            Ask("boards", "Serials of its boards, from place 1 on"),
            ORDERED,
        ),
        "It is one panel",
        note="Put a space between two serials. Scanned at a station, the panel stands for all of its boards.",
    ),
    Deed(
        define_rack,
        "A new rack",
        (Ask("key", "Label of the rack", "scan"), Ask("slots", "How many slots", "number"), ORDERED),
        "Define it",
    ),
)
"""What brings a new one."""

OTHERS = (
    Ask("failed", "Serials of those that failed", needed=False),
    Ask("aborted", "Serials of those that were aborted", needed=False),
)
LISTED = tuple(ask.name for ask in OTHERS)
IN = Deed(
    start_carrier,
    "All of it goes into a station",
    (Ask("station", "Station", "scan"), Ask("equipment", "Equipment, where several do", "scan", needed=False)),
    "Scan it in",
)
OUT = Deed(
    finish_carrier,
    "All of it comes out of the station",
    OTHERS,
    "Scan it out",
    note="All that went in with it has passed, but for those named here. Put a space between two serials.",
)
RACK = (
    Deed(
        put_in_rack,
        "A unit is put into it",
        (Ask("unit", "Unit", "scan"), Ask("slot", "Slot, if not the next free one", "number", needed=False)),
        "It is in",
    ),
    IN,
    OUT,
    Deed(take_from_rack, "A unit is taken out", (Ask("unit", "Unit", "scan"),), "It is out"),
)
PANEL = (
    IN,
    OUT,
    Deed(
        part_panel,
        "Its boards are parted",
        (),
        "Parted",
        caution="a saw, a cutter or a press that parts boards has open blades, and throws dust and chips.",
        note="From then on each board is scanned alone, and the label of the panel is refused.",
    ),
)
"""What is done with a rack, and with a panel."""


def racks(request: HttpRequest) -> HttpResponseBase:
    """Every rack and panel, and new ones."""

    def do() -> str:
        boards = enumerate(_read_units(request.POST.get("boards", "")), 1)
        given = {"boards": list(boards)} if request.POST.get("do") == make_panel.__name__ else {}
        return reverse("rack", args=[carry_out(request, NEW, **given).key])

    def show() -> tuple[dict[str, Any], list[Table]]:
        every = Carrier.objects.all()
        context = {
            "racks": every.filter(kind=Carrier.Kind.RACK).count(),
            "panels": every.filter(kind=Carrier.Kind.PANEL, parted=None).count(),
            "deeds": list_permitted(request, NEW),
        }
        return context, [carriers_table(every)]

    return do_or_show(request, "racks.html", do, show, "racks")


def rack(request: HttpRequest, key: str) -> HttpResponseBase:
    """One rack or panel: slot by slot, and what is done with it."""
    it = get_carrier(clean_key(key))
    deeds: Sequence[Deed] = () if it.parted is not None else PANEL if it.goes_as_one else RACK

    def do() -> str:
        carry_out(request, deeds, **_given(request, it))
        return f"{reverse('rack', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        slots, scanned = list_slots(it), find_last_scan(it)
        holds = list_open_holds([("unit", slot.stands.unit.key) for slot in slots if slot.stands], Asof())
        corrected = list_corrections("carrier", it.key)
        context = {
            "it": it,
            "inside": sum(slot.stands is not None for slot in slots),
            "states": sum_up(slots),
            "scanned": scanned,
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, deeds),
            "links": [
                *(
                    Link(
                        f"Label, {size.replace('x', ' × ')} mm",
                        f"{reverse('rack-label', args=[it.key])}?size={size}",
                    )
                    for size in SIZES
                ),
                *approval_links(request, "carrier", it.key),
            ],
        }
        tables = [
            *([behind_table(scanned)] if scanned and scanned.behind else []),
            slots_table(it, slots),
            *([holds_table(holds)] if holds.exists() else []),
            history_table(it),
            *([corrections_table(corrected)] if corrected.exists() else []),
            *approval_tables("carrier", it.key),
            record_table("carrier", it.key, Asof()),
        ]
        return context, tables

    return do_or_show(request, "rack.html", do, show, f"rack-{it.key}")


def _given(request: HttpRequest, it: Carrier) -> dict[str, Any]:
    """The arguments that the page's rack or panel is, and units named in a line."""
    match request.POST.get("do"):
        case "put_in_rack":
            return {"rack": it}
        case "part_panel":
            return {"panel": it}
        case "finish_carrier":
            return {"carrier": it, **{name: _read_units(request.POST.get(name, "")) for name in LISTED}}
        case "start_carrier":
            return {"carrier": it}
    return {}


def _read_units(text: str) -> list[Unit]:
    """The units of scanned or typed labels in a line. Refuses with NotFound, UnitUnclear, BadKey."""
    return [get_named_unit(word).unit for word in text.replace(",", " ").split()]
