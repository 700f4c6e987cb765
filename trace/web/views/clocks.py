"""What runs out, and what was done with a dry pack."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import now, to_ticks
from trace.core.keys import clean_key
from trace.engineering.equipment import Equipment
from trace.floor.operations.bags import bake_container, open_bag, seal_bag
from trace.material.clocks import find_clock
from trace.material.models import BagRecord
from trace.material.queries import get_container, list_running_out
from trace.web.clocks import clocks_table, describe_clock, describe_moisture
from trace.web.deeds import Ask, Deed, carry_out, list_permitted
from trace.web.forms import fill_in
from trace.web.tables import respond

WITHIN = timedelta(days=30)
"""So far ahead the page of clocks looks."""


def clocks(request: HttpRequest) -> HttpResponseBase:
    """What runs out, soonest first."""
    rows = list_running_out(now(), WITHIN)
    over = sum(not stocked.usable for stocked in rows)
    context = {"over": over, "coming": len(rows) - over, "days": WITHIN.days}
    return respond(request, "clocks.html", context, [clocks_table(rows)], name="clocks")


def bag(request: HttpRequest, key: str) -> HttpResponse:
    """Record that a dry pack was opened or sealed, or that a container was baked."""
    it = get_container(clean_key(key))
    ovens = [
        (one.key, f"{one.kind} {one.key}: {one.name}")
        for one in Equipment.objects.filter(retired=None).order_by("kind", "key")
    ]
    deeds = _list_deeds(ovens)

    def do() -> str:
        carry_out(request, deeds, container=it)
        return reverse("container", args=[it.key])

    clock = find_clock(it, to_ticks(now()))
    context = {
        "it": it,
        "moisture": describe_moisture(it.part),
        "clock": describe_clock(clock) if clock else None,
        "deeds": list_permitted(request, deeds) if clock else [],
        "ovens": ovens,
    }
    return fill_in(request, "bag.html", context, do)


def _list_deeds(ovens: Sequence[tuple[str, str]]) -> list[Deed]:
    """What is done with a dry pack, in the order of the day."""
    bake = (
        Ask("equipment", "In which oven or chamber", "choose", choices=ovens),
        Ask("temperature", "Temperature, °C", "number"),
        Ask("hours", "Hours", "number"),
        Ask("at", "When it ended, if not just now", "moment", needed=False),
    )
    return [
        Deed(open_bag, "It was opened", (WHEN,), "Record that it was opened"),
        Deed(seal_bag, "It was sealed dry", (STORAGE, WHEN), "Record that it was sealed"),
        *([Deed(bake_container, "It was baked", bake, "Record the bake", HOT, HOW_LONG)] if ovens else []),
    ]


WHEN = Ask("at", "When, if not just now", "moment", needed=False)
STORAGE = Ask("storage", "It is kept in", "choose", choices=BagRecord.Storage.choices)
HOT = (
    "oven, trays and parts are hot, and stay hot for long. Not every reel, tray or tube bears the heat: take parts out "
    "of what does not."
)
HOW_LONG = (
    "How hot and how long follows from the level and the thickness of the package: see the dry pack’s label and site "
    "procedure. What comes out of the oven lies open until it is sealed."
)
