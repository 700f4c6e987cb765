"""What is done at a feed: loaded, spliced, topped up, charged, seen, taken off, cleared, dumped, measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import OPEN
from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.core.permissions import OPERATIONS, in_words
from trace.floor.operations.feeds import (
    charge_bath,
    clear_feed,
    dump_bath,
    find_on_feed,
    load_feed,
    splice_feed,
    take_off_feed,
    top_up_feed,
)
from trace.floor.when import FeedRefused
from trace.material.models import Axis, BathLimit, BathReading, Feed, Span
from trace.material.operations.baths import record_bath_reading
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.sheets.feeds import between
from trace.web.tables import Column, Table

CONTAINER = Ask("container", "Container", "scan")
UP_TO = Ask("quantity", "How many, at most, if counted", "number", needed=False)
AT_LEAST = Ask("at_least", "At least, if counted", "number", needed=False)
LOAD = Deed(load_feed, "It was emptied, then loaded", (CONTAINER, UP_TO, AT_LEAST), "Loaded")
SEE = Deed(find_on_feed, "This one is there now", (CONTAINER,), "Seen")
OFF = (
    Deed(
        take_off_feed,
        "It was taken off, back to stock",
        (Ask("label", "New label, where it is not one whole container", "scan", needed=False),),
        "Taken off",
    ),
    Deed(clear_feed, "It was emptied, and what was there is used up or thrown away", (), "Emptied"),
)
SPLICE = Deed(
    splice_feed,
    "Another was spliced on",
    (
        CONTAINER,
        Ask("lead", "Parts between the splice and the pick-up", "number"),
        Ask("tolerance", "Known within how many parts", "number"),
        UP_TO,
        AT_LEAST,
    ),
    "Spliced",
)
TOP_UP = Deed(
    top_up_feed,
    "Another was poured on what was there",
    (
        CONTAINER,
        replace(UP_TO, label="Poured, at most, if counted"),
        Ask("left", "Left underneath, at most, if counted", "number", needed=False),
    ),
    "Poured on",
)
WHEN = Ask("at", "When; empty is now", "moment", needed=False)
HEEL = (("true", "cleaned: nothing stays"), ("false", "a heel stays"))

DEEDS = {
    Feed.Kind.SLOT: (LOAD, SPLICE, SEE, *OFF),
    Feed.Kind.BIN: (TOP_UP, LOAD, SEE, *OFF),
    Feed.Kind.BATH: (
        Deed(charge_bath, "It was charged", (Ask("container", "Bar, bag or can", "scan"),), "Charged"),
        Deed(dump_bath, "It was dumped", (Ask("cleaned", "Was it cleaned?", "choose", choices=HEEL),), "Dumped"),
    ),
}
"""What is done at each kind of feed. Heads of tapes have their tape's page."""


READING = record_bath_reading.__name__


def feeding(request: HttpRequest, key: str) -> HttpResponseBase:
    """What is done at one feed."""
    it = Feed.objects.select_related("axis__station").filter(key=clean_key(key), axis__tape=None).first()
    if it is None:
        raise NotFound(f"No feed of a station has the key {key[:60]}.")
    deeds = _deeds_of(it)
    bath = it.kind == Feed.Kind.BATH

    def do() -> str:
        done = carry_out(request, deeds, feed=it, **_position(request, it))
        outside = isinstance(done, BathReading) and done.outside
        return f"{reverse('feeding', args=[it.key])}?done={request.POST['do']}{'&outside=yes' if outside else ''}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        context = {
            "it": it,
            "on": _lies_there(it),
            "deeds": list_permitted(request, deeds),
            "done": title_of(request, deeds),
            "outside": request.GET.get("outside"),
            "hot": bath,
            "whom": in_words(OPERATIONS["charge_bath" if bath else "load_feed"]),
        }
        return context, [readings_table(it)] if bath else []

    return do_or_show(request, "feeding.html", do, show, f"feed-{it.key}")


def _lies_there(it: Feed) -> Several:
    """What is on it, by its part's name where it is alone."""
    spans = Span.objects.filter(feed=it, end=OPEN, superseded=None).select_related("container__part")
    there = {span.container_id: span.container for span in spans}.values()
    each = (
        Ref("container", one.key, one.part.name if len(there) == 1 else "") if one else Mark("unknown") for one in there
    )
    return Several(tuple(each), between(it))


def _deeds_of(it: Feed) -> list[Deed]:
    deeds = list(DEEDS.get(Feed.Kind(it.kind), ()))
    if it.kind == Feed.Kind.BATH:
        names = [(limit.name, f"{limit.name}, {limit.unit}") for limit in BathLimit.objects.filter(feed=it)]
        asks = (Ask("name", "What", "choose", choices=names), Ask("value", "Value", "number"))
        deeds += [Deed(record_bath_reading, "It was measured", asks, "Record the reading")] if names else []
    if it.axis.kind == Axis.Kind.COUNT:
        count = Ask("position", "The machine’s cycle count", "number")
        deeds = [
            deed if deed.operation is record_bath_reading else replace(deed, asks=(*deed.asks, count)) for deed in deeds
        ]
    return [replace(deed, asks=(*deed.asks, WHEN)) for deed in deeds]


def _position(request: HttpRequest, it: Feed) -> dict[str, Any]:
    """Where it happened, where the feed gives by a machine's count."""
    if it.axis.kind != Axis.Kind.COUNT or request.POST.get("do") == READING:
        return {}
    text = request.POST.get("position", "").strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 16):
        raise FeedRefused("The machine’s cycle count is a whole number.", action="Read it off the machine.")
    return {"position": (int(text), int(text))}


def readings_table(it: Feed) -> Table:
    """What was measured of a bath."""

    def limits(reading: BathReading) -> str:
        low, high = (None if limit is None else f"{limit.normalize():f}" for limit in (reading.low, reading.high))
        if low and high:
            return f"{low} to {high}"
        return f"at least {low}" if low else f"at most {high}" if high else "none"

    return Table(
        "readings",
        "Readings",
        [
            Column("at", "When", lambda r: Moment(r.at), "at"),
            Column("name", "What", lambda r: r.name, "name", choose=True),
            Column("value", "Value", lambda r: r.value.normalize(), "value", number=True),
            Column("unit", "Unit", lambda r: r.unit, "unit"),
            Column("limits", "Limits", limits),
            Column("state", "Within?", lambda r: Mark("outside" if r.outside else "within")),
            Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name), "by__key"),
        ],
        BathReading.objects.filter(feed=it).select_related("by").order_by("-at", "-pk"),
        "Nothing was measured of it yet.",
    )
