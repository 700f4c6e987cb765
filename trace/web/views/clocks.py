"""What runs out, and what was done with a dry pack."""

from __future__ import annotations

from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from trace.core.clock import OPEN, from_ticks, now, to_ticks
from trace.core.keys import clean_key
from trace.core.moments import read_moment
from trace.engineering.equipment import Equipment
from trace.exchange.arguments import read_arguments
from trace.floor.operations.bags import BagRefused, bake_container, open_bag, seal_bag
from trace.material.clocks import find_clock
from trace.material.models import BagRecord
from trace.material.queries import get_container, list_running_out
from trace.web.clocks import clocks_table, describe_clock, describe_moisture
from trace.web.forms import asking, fill_in
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
    sent = request.POST

    def do() -> str:
        what = sent.get("what", "")
        if what not in BAGS:
            raise BagRefused("Say what was done: opened, sealed or baked.")
        ticks = read_moment(sent.get("at", ""), timezone.get_current_timezone())
        done = asking(request) | ({} if ticks == OPEN else {"at": from_ticks(ticks)})
        operation = BAGS[what]
        told = read_arguments(operation, sent.dict(), leave_out=("container", "by", "at"))
        operation(container=it, **told, **done)
        return reverse("container", args=[it.key])

    clock = find_clock(it, to_ticks(now()))
    context = {
        "it": it,
        "moisture": describe_moisture(it.part),
        "clock": describe_clock(clock) if clock else None,
        "storages": BagRecord.Storage.choices,
        "equipment": Equipment.objects.filter(retired=None).order_by("kind", "key"),
    }
    return fill_in(request, "bag.html", context, do)


BAGS = {"open": open_bag, "seal": seal_bag, "bake": bake_container}
