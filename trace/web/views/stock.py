"""What is done with a container away from the feeds; what is to be counted; calls for material."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.clock import OPEN, now
from trace.core.keys import clean_key, read_label
from trace.floor.checks import list_overdrawn
from trace.floor.left import find_left
from trace.floor.operations.batches import record_batch
from trace.floor.operations.calls import call_material, deliver_call, issue_container, withdraw_call
from trace.floor.operations.counting import count_container, rereel_container, return_container, scrap_parts
from trace.floor.operations.stores import merge_containers, split_container, store_container
from trace.material.facts import Left
from trace.material.models import Call, Container, Count, Feed
from trace.material.operations.stock import discard_container
from trace.material.queries import get_container, list_overdue_clearings
from trace.web.batches import batches_table, has_route, route_fact
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.corrections import corrections_table, list_corrections, wrong_column
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.tables import Column, Table, respond

QUANTITY = Ask("quantity", "How many", "number")
UNSURE = Ask("quantity", "How many, if counted", "number", needed=False)
REASON = Ask("reason", "Why")
NEW = Ask("key", "Label of the new one", "scan")
CALL = Ask("call", "Call", "choose")
KINDS = Ask("kind", "What the new one is", "choose", needed=False, choices=Container.Kind.choices)

DEEDS = (
    Deed(count_container, "It was counted", (QUANTITY, Ask("reason", "Why it differs", needed=False))),
    Deed(
        return_container,
        "It comes back to a store",
        (Ask("store", "Store or shelf"), UNSURE, Ask("reason", "Why the count differs", needed=False)),
    ),
    Deed(split_container, "Some of it is filled into another", (NEW, UNSURE)),
    Deed(
        rereel_container,
        "All of it is put on another reel",
        (NEW, KINDS, UNSURE),
    ),
    Deed(merge_containers, "Another is poured in", (Ask("sources", "The other’s label", "scan"),)),
    Deed(store_container, "It is moved", (Ask("store", "Store or shelf"),)),
    Deed(scrap_parts, "Some of it is scrapped", (QUANTITY, REASON)),
    Deed(discard_container, "It leaves the plant, or is used up", (REASON,)),
)
"""What is done with a container, in the order of the day."""

BATCH = Deed(
    record_batch,
    "All of it went through the step that is due",
    (
        Ask("station", "Station", "scan"),
        Ask("quantity", "How many went in", "number"),
        Ask("good", "How many came out good", "number"),
        Ask("reason", "Why the rest is scrapped, or the count differs", needed=False),
        Ask("entered", "When it went in, where the station asks for it", "moment", needed=False),
        Ask("equipment", "Equipment, where several do", "scan", needed=False),
    ),
    note="From then on it holds the good ones.",
)
"""The same for a part that goes through its route as a lot, by count."""

CALLING = Deed(
    call_material,
    "Call for material",
    (
        Ask("station", "Station", "scan"),
        Ask("part", "Part number", "scan"),
        replace(UNSURE, label="How many, if it matters"),
    ),
    "Call",
)
ANSWERS = (
    Deed(issue_container, "Issue a container for a call", (CALL, Ask("container", "Container", "scan")), "Issue"),
    Deed(deliver_call, "It was brought", (CALL,), "Delivered"),
    Deed(withdraw_call, "A call is not wanted any more", (CALL, REASON), "Withdraw"),
)
"""What is done with a call."""


def stock(request: HttpRequest, key: str) -> HttpResponseBase:
    """What is done with one container."""
    it = get_container(clean_key(key))
    deeds = (BATCH, *DEEDS) if has_route(it) else DEEDS

    def do() -> str:
        done = carry_out(request, deeds, **_given(request, it))
        there = done if isinstance(done, Container) else it
        return f"{reverse('stock', args=[there.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        on = Feed.objects.filter(spans__container=it, spans__end=OPEN, spans__superseded=None)
        context = {
            "it": it,
            "left": find_left(it),
            "feeds": Several(tuple(Ref("feed", feed.key) for feed in on.distinct().order_by("key"))),
            "route": route_fact(it, OPEN),
            "deeds": [] if it.gone is not None else list_permitted(request, deeds),
            "done": title_of(request, deeds),
        }
        corrected = list_corrections("container", it.key)
        return context, [
            *([batches_table(it, OPEN)] if has_route(it) else []),
            _counts_table(it.counts.all()),
            _scrapped_table(it.scrapped.all()),
            *([corrections_table(corrected)] if corrected.exists() else []),
        ]

    return do_or_show(request, "stock.html", do, show, f"stock-{it.key}")


def _given(request: HttpRequest, it: Container) -> dict[str, Any]:
    """The arguments that the page's container is."""
    match request.POST.get("do"):
        case "split_container" | "rereel_container":
            return {"source": it}
        case "merge_containers":
            return {
                "sources": [get_container(read_label(request.POST.get("sources", "")))],
                "into": it,
            }
        case _:
            return {"container": it}


def counts(request: HttpRequest) -> HttpResponseBase:
    """What somebody must count, and what was counted."""
    overdrawn = list_overdrawn()
    overdue = list_overdue_clearings(now())
    context = {"overdrawn": len(overdrawn), "overdue": overdue.count()}
    tables = [
        Table(
            "overdrawn",
            "Gave more than they held",
            [
                Column("container", "Container", lambda row: Ref("container", row[0].key)),
                Column("part", "Part", lambda row: Ref("part", row[0].part.key, row[0].part.name)),
                Column("over", "More than it held", lambda row: row[1].overdrawn.normalize(), number=True),
                Column("store", "Store", lambda row: row[0].store),
            ],
            overdrawn,
            "No container gave more than it held, by what is on record.",
            note="What was used stays on record. Take it off its feed and count it.",
        ),
        Table(
            "overdue",
            "Places to be counted or cleared",
            [Column("feed", "Feed", lambda feed: Ref("feed", feed.key), "key")],
            overdue,
            "No place waits to be counted or cleared.",
        ),
        _counts_table(Count.objects.all()),
    ]
    return respond(request, "counts.html", context, tables, name="counts")


def calls(request: HttpRequest) -> HttpResponseBase:
    """Calls for material, open ones first."""
    every = Call.objects.select_related("station", "part", "container", "called_by")

    def do() -> str:
        return f"{reverse('calls')}?done={carry_out(request, (CALLING, *ANSWERS)).key}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        open_calls = every.filter(delivered=None, withdrawn=None)
        context = {
            "open": open_calls.count(),
            "deeds": list_permitted(request, _list_deeds(open_calls)),
            "done": every.filter(key=request.GET.get("done", "")[:40].replace("\x00", "")).first(),
        }
        ended = every.exclude(pk__in=open_calls).order_by("-called")
        return context, [
            _calls_table("open", "Open calls", open_calls, "No station waits for material."),
            _calls_table("ended", "Answered and withdrawn", ended, "No call was answered or withdrawn yet."),
        ]

    return do_or_show(request, "calls.html", do, show)


def _list_deeds(calls: QuerySet[Call]) -> list[Deed]:
    """What is done with calls, of which one is chosen."""
    names = [(call.key, f"{call.key}: {call.part.key} for {call.station.key}, {call.state}") for call in calls]
    choose = replace(CALL, choices=names)
    answers = [replace(deed, asks=[choose if ask is CALL else ask for ask in deed.asks]) for deed in ANSWERS]
    return [CALLING, *(answers if names else [])]


def _counts_table(rows: Any) -> Table:
    def by_record(count: Count) -> str:
        if count.least is None or count.most is None:
            return "nobody knew"
        return str(Left(count.least, count.most))

    return Table(
        "counts",
        "Counts",
        [
            Column("at", "When", lambda c: Moment(c.at), "at"),
            Column("container", "Container", lambda c: Ref("container", c.container.key), "container__key"),
            Column("quantity", "Counted", lambda c: c.quantity.normalize(), "quantity", number=True),
            Column("record", "By the record", by_record),
            Column("reason", "Why it differed", lambda c: c.reason, "reason"),
            Column("by", "By", lambda c: Ref("person", c.by.key, c.by.name), "by__key"),
            wrong_column(),
        ],
        rows.filter(superseded=None).select_related("container", "by").order_by("-at", "-pk"),
        "Nothing was counted yet.",
        search=("container__key", "reason"),
    )


def _scrapped_table(rows: Any) -> Table:
    return Table(
        "scrapped",
        "Scrapped of it",
        [
            Column("at", "When", lambda s: Moment(s.at), "at"),
            Column("quantity", "How many", lambda s: s.quantity.normalize(), "quantity", number=True),
            Column("reason", "Why", lambda s: s.reason, "reason"),
            Column("by", "By", lambda s: Ref("person", s.by.key, s.by.name), "by__key"),
            wrong_column(),
        ],
        rows.filter(superseded=None).select_related("container", "by").order_by("-at", "-pk"),
        "Nothing of it was scrapped.",
        search=("reason",),
    )


def _calls_table(name: str, title: str, rows: Any, empty: str) -> Table:
    return Table(
        name,
        title,
        [
            Column("call", "Call", lambda c: c.key, "key"),
            Column("state", "State", lambda c: Mark(c.state)),
            Column("station", "Station", lambda c: Ref("station", c.station.key), "station__key"),
            Column("part", "Part", lambda c: Ref("part", c.part.key, c.part.name), "part__key"),
            Column("quantity", "How many", lambda c: c.quantity, "quantity", number=True),
            Column("called", "Called", lambda c: Moment(c.called), "called"),
            Column("container", "Container", lambda c: Ref("container", c.container.key) if c.container else ""),
            Column("delivered", "Delivered", lambda c: Moment(c.delivered), "delivered"),
            Column("reason", "Why withdrawn", lambda c: c.reason, "reason"),
        ],
        rows,
        empty,
        search=("key", "part__key", "station__key"),
    )
