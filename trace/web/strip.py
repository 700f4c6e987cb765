"""A tape drawn as a strip: its steps down, its board sets along, a pattern for each container.

What is drawn are runs, not cells: a rectangle for each step and each stretch of board sets that the same containers may
have given. Everything is said by pattern, mark and text as well, nothing by colour alone.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from trace.engineering.rules import run_together
from trace.floor.tapes import find_mount, find_next_board_set, read_building
from trace.material.models import Container, Feed, FeedRecord, Span, Tape
from trace.web.cells import Mark, Ref, Several, page_of
from trace.web.tables import Column, Table

PATTERNS = 7
"""So many patterns are told apart at a glance; along a step they follow each other, so that neighbours differ."""

LEFT, TOP, ROW, WIDTH = 70, 26, 14, 1000
LETTER = 6.2
"""Widths and heights in the drawing's own units; LETTER is about that of one of its letters."""

AWAY = (FeedRecord.Act.TAKE_OFF, FeedRecord.Act.SIGHTING, FeedRecord.Act.SEEN_AWAY)

STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1_000, 2_000, 5_000)
MOST_TICKS = 20


@dataclass(frozen=True)
class Run:
    """The board sets `first <= k < end` of a head, and what may have given to them; None is unknown."""

    first: int
    end: int
    containers: tuple[Container | None, ...]

    @property
    def sets(self) -> str:
        return f"{self.first}–{self.end - 1}" if self.end - self.first > 1 else str(self.first)

    @property
    def words(self) -> str:
        return " or ".join(one.key if one else "unknown" for one in self.containers)


def runs_of(spans: Iterable[Span], board_sets: int) -> list[Run]:
    """A head's spans cut where any of them begins or ends; stretches of the same candidates are one run."""
    within = [(max(span.first, 0), min(span.end, board_sets), span.container) for span in spans]
    within = [(first, end, container) for first, end, container in within if first < end]
    cuts = sorted({0, board_sets, *(edge for first, end, _ in within for edge in (first, end))})
    runs: list[Run] = []
    for first, end in pairwise(cuts):
        there = {one.key if one else "": one for since, until, one in within if since <= first < until}
        containers = tuple(there[key] for key in sorted(there, key=lambda key: (not key, key)))
        if runs and runs[-1].containers == containers:
            first = runs.pop().first
        runs.append(Run(first, end, containers))
    return runs


@dataclass(frozen=True)
class Block:
    """One rectangle."""

    x: float
    y: float
    width: float
    pattern: str
    words: str
    href: str
    label: str
    suspect: bool

    @property
    def back(self) -> float:
        """How wide the ground of its label is."""
        return len(self.label) * LETTER + 4


@dataclass(frozen=True)
class Sign:
    """A mark at a place: spliced, by hand, empty."""

    kind: str
    x: float
    y: float
    words: str


@dataclass
class Strip:
    """What the template draws, and the same facts as rows of a table."""

    tape: Tape
    height: int = 0
    blocks: list[Block] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)
    names: list[tuple[float, str]] = field(default_factory=list)
    ticks: list[tuple[float, int]] = field(default_factory=list)
    following: float | None = None
    rows: list[Row] = field(default_factory=list)
    suspect: str = ""
    hit: int = 0
    """How many board sets may carry the suspect."""

    @property
    def patterns(self) -> list[str]:
        """The patterns used."""
        return sorted({block.pattern for block in self.blocks})


@dataclass(frozen=True)
class Row:
    """One run of one head, for the table."""

    head: Feed
    name: str
    steps: str
    run: Run
    how: str
    suspect: bool


def draw_strip(tape: Tape, suspect: str = "") -> Strip:
    """The strip of a tape, a suspect container or lot (by its key) set apart."""
    building = read_building(tape)
    strip = Strip(tape, suspect=suspect)
    width = (WIDTH - LEFT) / max(tape.board_sets, 1)
    spans: dict[int, list[Span]] = defaultdict(list)
    feeds = [head.feed for head in building.heads]
    found = Span.objects.filter(feed__in=feeds, superseded=None, first__lt=tape.board_sets, end__gt=0)
    for span in found.select_related("container__lot").order_by("first", "id"):
        spans[span.feed_id].append(span)
    marked: dict[int, list[FeedRecord]] = defaultdict(list)
    acts: dict[tuple[int, str], str] = defaultdict(str)
    records = FeedRecord.objects.filter(feed__in=feeds, container__isnull=False, superseded=None)
    for record in records.exclude(act__in=AWAY).select_related("container").order_by("happened", "id"):
        marked[record.feed_id].append(record)
        came = record.feed_id, record.container.key if record.container else ""
        if record.act != FeedRecord.Act.HAND_FILL or not acts[came]:
            acts[came] = record.get_act_display()
    blurred: set[int] = set()

    def is_suspect(run: Run) -> bool:
        return bool(suspect) and any(one and suspect in (one.key, one.lot.key) for one in run.containers)

    for head in building.heads:
        runs = runs_of(spans[head.feed.pk], tape.board_sets)
        order: dict[str, int] = {}
        for run in runs:
            order |= {one.key: len(order) for one in run.containers if one and one.key not in order}
            how = ", ".join(dict.fromkeys(acts[head.feed.pk, one.key] for one in run.containers if one))
            strip.rows.append(Row(head.feed, head.name, run_together(head.designators), run, how, is_suspect(run)))
            blurred |= set(range(run.first, run.end)) if is_suspect(run) else set()
        for link, name in zip(head.links, head.designators, strict=True):
            y = TOP + link * ROW
            strip.names.append((y + ROW - 3.5, name))
            strip.blocks += [_block(run, y, width, order, f"{name}, head {head.name}", is_suspect(run)) for run in runs]
            strip.signs += [
                Sign("empty", LEFT + (k + 0.5) * width, y + ROW / 2, f"{name} of board set {k} is empty")
                for k, names in head.empty.items()
                if name in names and k < tape.board_sets
            ]
            strip.signs += _signs(marked[head.feed.pk], spans[head.feed.pk], y, width, tape.board_sets)
    strip.hit = len(blurred)
    strip.height = TOP + tape.links * ROW + 4
    every = next((step for step in STEPS if tape.board_sets / step <= MOST_TICKS), STEPS[-1])
    strip.ticks = [(LEFT + k * width, k) for k in range(0, tape.board_sets, every)]
    following = find_next_board_set(tape)
    if following or find_mount(tape):
        strip.following = LEFT + min(following, tape.board_sets) * width
    return strip


def _block(run: Run, y: float, width: float, order: Mapping[str, int], where: str, suspect: bool) -> Block:
    if len(run.containers) != 1:
        pattern = "several"
    elif run.containers[0] is None:
        pattern = "unknown"
    else:
        pattern = str(order[run.containers[0].key] % PATTERNS)
    along = (run.end - run.first) * width
    label = run.words if len(run.words) * LETTER + 8 < along else ""
    only = run.containers[0] if len(run.containers) == 1 else None
    return Block(
        LEFT + run.first * width,
        y,
        along,
        pattern,
        f"{where}, board set{'s' if run.end - run.first > 1 else ''} {run.sets}: {run.words or 'nothing on record'}",
        page_of("container", only.key) if only else "",
        label,
        suspect,
    )


def _signs(records: Iterable[FeedRecord], spans: Iterable[Span], y: float, width: float, board_sets: int) -> list[Sign]:
    """Where on one step something was spliced on or filled by hand."""
    signs = []
    for record in records:
        key = record.container.key if record.container else ""
        if record.act == FeedRecord.Act.HAND_FILL:
            signs.append(Sign("hand", LEFT + (record.first + 0.5) * width, y + ROW / 2, f"filled by hand from {key}"))
        if record.act != FeedRecord.Act.SPLICE:
            continue
        begins = [s.first for s in spans if s.container_id == record.container_id and s.first >= record.first]
        if begins and begins[0] < board_sets:
            signs.append(Sign("splice", LEFT + begins[0] * width, y, f"spliced: {key}"))
    return signs


def strip_table(strip: Strip) -> Table:
    """The same facts as a table."""
    suspect = Column("suspect", "Suspect", lambda row: "suspect" if row.suspect else "no", choose=True)
    return Table(
        "strip",
        "What is on it, head by head",
        [
            Column("head", "Head", lambda row: Ref("feed", row.head.key)),
            Column("steps", "Serves", lambda row: row.steps),
            Column("sets", "Board sets", lambda row: row.run.sets),
            Column("container", "Container", lambda row: _containers(row.run)),
            Column("lot", "Lot", lambda row: _lots(row.run)),
            Column("how", "How it came", lambda row: row.how),
            *([suspect] if strip.suspect else []),
        ],
        strip.rows,
        "It has no heads.",
    )


def _containers(run: Run) -> Several:
    return Several(tuple(Ref("container", one.key) if one else Mark("unknown") for one in run.containers), " or ")


def _lots(run: Run) -> Several:
    lots = dict.fromkeys(one.lot.key for one in run.containers if one)
    return Several(tuple(Ref("lot", key) for key in lots), " or ")
