"""Feeds, set-ups and tapes."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet

from trace.core.clock import OPEN, now
from trace.engineering.models import Station
from trace.engineering.rules import run_together
from trace.floor.away import HANGS
from trace.floor.remaining import find_pace, forecast_feeds
from trace.material.models import Axis, Feed, FeedRecord, SetUp, SetUpLine, Span
from trace.material.sequencing import RunOut
from trace.web.cells import Mark, Moment, Ref, Several, place_of
from trace.web.corrections import corrections_table, list_corrections, when_changed, wrong_column
from trace.web.sheets.base import Fact, Sheet, count, lasting
from trace.web.tables import Column, Table

LASTS = (
    "How many boards what is on it surely lasts for, at the pace of the last ones; empty where nobody counted it, and "
    "where it is poured in."
)


def pace_now(station: Station) -> Decimal | None:
    """Minutes to a board, by a station's last ones."""
    return find_pace(station, now())


def between(feed: Feed) -> str:
    """What stands between the containers of a feed: a bath gives of all of them, any other of one."""
    return ", " if feed.kind == Feed.Kind.BATH else " or "


def feeds_table(feeds: QuerySet[Feed], runouts: Mapping[int, RunOut]) -> Table:
    """Feeds, what may be on each now, and how long it lasts."""
    spans = Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot")
    on: dict[int, dict[int | None, Any]] = {}
    for span in spans.order_by("first"):
        it = span.container
        on.setdefault(span.feed_id, {})[span.container_id] = Ref("container", it.key) if it else Mark("unknown")
    lots: dict[int, dict[str, Ref]] = {}
    for span in spans:
        if span.container:
            lots.setdefault(span.feed_id, {})[span.container.lot.key] = Ref("lot", span.container.lot.key)
    serves: dict[int, list[str]] = {}
    for feed, name in SetUpLine.objects.filter(feed__in=feeds, setup__end=OPEN).values_list("feed", "designator"):
        serves.setdefault(feed, []).append(name)
    return Table(
        "feeds",
        "Feeds, and what is on each now",
        [
            Column("feed", "Feed", lambda f: Ref("feed", f.key)),
            Column("kind", "Kind", lambda f: f.get_kind_display(), choose=True),
            Column("on", "Container", lambda f: Several(tuple(on.get(f.pk, {}).values()), between(f))),
            Column("lot", "Lot", lambda f: Several(tuple(lots.get(f.pk, {}).values()), between(f))),
            Column("serves", "Serves", lambda f: run_together(dict.fromkeys(serves.get(f.pk, [])))),
            Column("lasts", "Lasts", lambda f: lasting(runouts.get(f.pk))),
        ],
        list(feeds),
        "It has no feeds.",
        note=LASTS,
    )


def setups_table(setups: QuerySet[SetUp]) -> Table:
    return Table(
        "setups",
        "Set-ups",
        [
            Column("setup", "Set-up", lambda s: Ref("setup", s.key), "key"),
            Column("assembly", "For", lambda s: Ref("part", s.assembly.key), "assembly__key"),
            Column("axis", "Feeds of", lambda s: place_of(s.axis), "axis__tape__key"),
            Column("state", "State", lambda s: "running" if s.end == OPEN else "ended", "end"),
        ],
        setups,
        "Nothing was set up here yet.",
        search=("key", "assembly__key"),
    )


def setup_sheet(it: SetUp) -> Sheet:
    """A set-up: which feed serves which designators."""
    lines = it.lines.select_related("feed")
    runouts: Mapping[int, RunOut] = {}
    if it.axis.station:
        runouts = forecast_feeds(list({line.feed_id: line.feed for line in lines}.values()), pace_now(it.axis.station))
    facts: list[Fact] = [
        ("For", Ref("part", it.assembly.key, it.assembly.name)),
        ("At", place_of(it.axis)),
        ("State", "running" if it.end == OPEN else "ended"),
    ]
    table = Table(
        "lines",
        "Designators and their feeds",
        [
            Column("place", "Designator", lambda line: line.designator),
            Column("feed", "Feed", lambda line: Ref("feed", line.feed.key)),
            Column("lasts", "Lasts", lambda line: lasting(runouts.get(line.feed_id)))
            if it.axis.station
            else Column("link", "Link of the board set", lambda line: line.link, number=True),
        ],
        list(lines),
        "It serves nothing.",
    )
    return Sheet(f"Serves {count(len(table.rows), 'designator')} of {it.assembly.key}.", facts, [table])


def _container(row: Span | FeedRecord) -> Ref | Mark | str:
    if row.container:
        return Ref("container", row.container.key)
    return Mark("unknown") if isinstance(row, Span) else ""


def _lot(span: Span) -> Ref | str:
    return Ref("lot", span.container.lot.key) if span.container else ""


def _position(record: FeedRecord) -> str:
    return str(record.first) if record.first == record.last else f"{record.first}–{record.last}"


def feed_sheet(it: Feed) -> Sheet:
    """A feed: what is, and was, on it, and from which records that follows."""
    spans = Span.objects.filter(feed=it, superseded=None).select_related("container__lot")
    records = FeedRecord.objects.filter(feed=it, superseded=None).select_related("feed", "container", "by")
    on = [span.container.key if span.container else "unknown material" for span in spans.filter(end=OPEN)]
    facts: list[Fact] = [("Kind", it.get_kind_display()), ("At", place_of(it.axis))]
    if it.axis.station and it.kind in HANGS:
        runout = forecast_feeds([it], pace_now(it.axis.station)).get(it.pk)
        facts.append(("Lasts", lasting(runout) or "not known: nobody counted what is on it"))
    on_clock = it.axis.kind == Axis.Kind.CLOCK
    position = Column("position", "Board set" if it.axis.tape else "Count", _position, "first")
    tables = [
        Table(
            "spans",
            "What it may have given",
            [
                Column("container", "Container", _container, "container__key"),
                Column("lot", "Lot", _lot, "container__lot__key"),
                Column("since", "From", lambda s: Moment(s.since) if s.since else "the beginning", "since"),
                Column("until", "Until", lambda s: Moment(s.until) if s.until < OPEN else "still", "until"),
            ],
            spans.order_by("-first"),
            "Nothing is on record.",
            search=("container__key", "container__lot__key"),
        ),
        Table(
            "records",
            "What was done at it",
            [
                Column("when", "When", lambda r: when_changed(r, on_clock), "happened"),
                *([] if on_clock else [position]),
                Column("act", "What", lambda r: r.get_act_display(), "act"),
                Column("container", "Container", _container, "container__key"),
                Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name), "by__key"),
                wrong_column(),
            ],
            records.order_by("-happened"),
            "Nothing was done at it yet. Load it and scan the container.",
            search=("container__key", "by__name"),
        ),
    ]
    if (corrected := list_corrections("feed", it.key)).exists():
        tables.append(corrections_table(corrected))
    return Sheet(
        f"{'In' if it.kind == Feed.Kind.BATH else 'On'} it now: {between(it).join(dict.fromkeys(on)) or 'nothing'}.",
        facts,
        tables,
    )
