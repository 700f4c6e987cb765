"""Feeds, set-ups and tapes."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

from trace.core.clock import OPEN
from trace.engineering.rules import run_together
from trace.floor.models import Pass
from trace.material.models import Axis, Feed, FeedRecord, SetUp, SetUpLine, Span, Tape
from trace.web.cells import Mark, Moment, Ref, Several, place_of
from trace.web.sheets.base import Fact, Sheet, count
from trace.web.tables import Column, Table


def feeds_table(feeds: QuerySet[Feed]) -> Table:
    """Feeds and what may be on each now."""
    spans = Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot")
    on: dict[int, list[Any]] = {}
    for span in spans.order_by("first"):
        it = span.container
        on.setdefault(span.feed_id, []).append(Ref("container", it.key) if it else Mark("unknown"))
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
            Column("on", "Container", lambda f: Several(tuple(on.get(f.pk, ())), " or ")),
            Column("lot", "Lot", lambda f: Several(tuple(lots.get(f.pk, {}).values()), " or ")),
            Column("serves", "Serves", lambda f: run_together(dict.fromkeys(serves.get(f.pk, [])))),
        ],
        list(feeds),
        "It has no feeds.",
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
            Column("link", "Link of the board set", lambda line: line.link, number=True),
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


def _changed(record: FeedRecord, on_clock: bool) -> Moment | Several:
    """When it was done; between which moments, where nobody knows it more exactly."""
    if on_clock and 0 < record.first < record.last < OPEN:
        return Several(("between", Moment(record.first), "and", Moment(record.last)), " ")
    return Moment(record.happened)


def _position(record: FeedRecord) -> str:
    return str(record.first) if record.first == record.last else f"{record.first}–{record.last}"


def feed_sheet(it: Feed) -> Sheet:
    """A feed: what is, and was, on it, and from which records that follows."""
    spans = Span.objects.filter(feed=it, superseded=None).select_related("container__lot")
    records = FeedRecord.objects.filter(feed=it, superseded=None).select_related("container", "by")
    now = [span.container.key if span.container else "unknown material" for span in spans.filter(end=OPEN)]
    facts: list[Fact] = [("Kind", it.get_kind_display()), ("At", place_of(it.axis))]
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
                Column("when", "When", lambda r: _changed(r, on_clock), "happened"),
                *([] if on_clock else [position]),
                Column("act", "What", lambda r: r.get_act_display(), "act"),
                Column("container", "Container", _container, "container__key"),
                Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name), "by__key"),
            ],
            records.order_by("-happened"),
            "Nothing was done at it yet. Load it and scan the container.",
            search=("container__key", "by__name"),
        ),
    ]
    return Sheet(f"On it now: {' or '.join(now) or 'nothing'}.", facts, tables)


def tape_sheet(it: Tape) -> Sheet:
    """A tape: its heads and what they gave, the boards built from it."""
    feeds = Feed.objects.filter(axis__tape=it)
    passes = Pass.objects.filter(axis__tape=it, superseded=None).exclude(drew=Pass.Drew.NONE)
    passes = passes.select_related("unit", "station")
    drawn = passes.filter(ended__lt=OPEN, drew=Pass.Drew.ALL).count()
    facts: list[Fact] = [
        ("For", Ref("part", it.assembly.key, it.assembly.name)),
        ("Links to a board set", it.links),
        ("Built from", Moment(it.built_from)),
        ("Built until", Moment(it.built_until) if it.built_until < OPEN else "still being built"),
    ]
    used = Table(
        "used",
        "Boards drawn from it",
        [
            Column("first", "Board set", lambda p: p.first if p.first == p.last else f"{p.first}–{p.last}", "first"),
            Column("unit", "Unit", lambda p: Ref("unit", p.unit.key), "unit__key"),
            Column("station", "At", lambda p: Ref("station", p.station.key), "station__key", choose=True),
            Column("when", "When", lambda p: Moment(p.began), "began"),
            Column("drew", "Drawn", lambda p: "yes" if p.ended < OPEN and p.drew == Pass.Drew.ALL else "perhaps"),
        ],
        passes.order_by("first"),
        "No board was drawn from it yet.",
        search=("unit__key",),
    )
    perhaps = f", {passes.count() - drawn} more perhaps" if passes.count() > drawn else ""
    sentence = f"{count(it.board_sets, 'board set')} for {it.assembly.key}, {drawn} drawn{perhaps}."
    return Sheet(sentence, facts, [_heads_table(it, feeds), used])


def _heads_table(tape: Tape, heads: QuerySet[Feed]) -> Table:
    """What each head may have put into which board sets."""
    serves: dict[int, list[str]] = {}
    for feed, name in SetUpLine.objects.filter(feed__in=heads).values_list("feed", "designator"):
        serves.setdefault(feed, []).append(name)
    spans = Span.objects.filter(feed__in=heads, superseded=None, first__lt=tape.board_sets, end__gt=0)

    def board_sets(span: Span) -> str:
        last = min(span.end, tape.board_sets) - 1
        return f"{span.first}–{last}" if last > span.first else str(span.first)

    return Table(
        "heads",
        "What is on it, head by head",
        [
            Column("head", "Head", lambda span: Ref("feed", span.feed.key)),
            Column("serves", "Serves", lambda span: run_together(serves.get(span.feed_id, []))),
            Column("sets", "Board sets", board_sets),
            Column("container", "Container", _container),
            Column("lot", "Lot", _lot),
        ],
        list(spans.select_related("feed", "container__lot").order_by("feed__key", "first")),
        "It has no heads.",
    )
