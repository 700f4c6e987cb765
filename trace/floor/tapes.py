"""What a sequenced tape is doing: where its building is, what each head gives, where it is mounted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Max

from trace.core.clock import OPEN
from trace.engineering.models import Designator, Part
from trace.engineering.queries import list_fitting, list_insertion_order
from trace.floor.hung import find_here, list_hung
from trace.floor.left import find_all_left
from trace.floor.models import Pass
from trace.floor.remaining import list_stock
from trace.floor.when import Position
from trace.material.facts import Left
from trace.material.models import (
    Container,
    EmptyPlace,
    Feed,
    FeedRecord,
    Mount,
    SetUpLine,
    Span,
    Tape,
    TapeReading,
    TapeStop,
)
from trace.material.queries import Stocked, list_offers
from trace.material.sequencing import TapePlan, plan_tape, runs_of_empties, too_many_empty


@dataclass
class Head:
    """One dispensing head of a tape: what it serves, in link order, and the board sets that its next component may
    land in (`here`). `on` is what gives there, and once the tape is built what is left there, None in it unknown;
    `empty` is what is not filled, by board set."""

    feed: Feed
    part: Part
    designators: list[str] = field(default_factory=list)
    links: list[int] = field(default_factory=list)
    here: Position = (0, 0)
    on: list[Container | None] = field(default_factory=list)
    left: Left | None = None
    empty: dict[int, list[str]] = field(default_factory=dict)
    absent: dict[int, list[str]] = field(default_factory=dict)
    """What was found empty since its container was put on, filled or not."""
    bad: TapeReading | None = None
    """The last reading of what is on it, if it lies outside its limits."""

    @property
    def name(self) -> str:
        return self.feed.key.removeprefix(f"{self.feed.axis.tape.key}-") if self.feed.axis.tape else self.feed.key

    @property
    def runs_out(self) -> int | None:
        """The board set at which it runs out at the earliest, where what is on it was counted."""
        return None if self.left is None else self.here[0] + self.left.whole // len(self.designators)

    @property
    def trouble(self) -> str:
        """Why the tape may not run on, as far as this head goes."""
        if not self.on or None in self.on:
            return f"Head {self.name} has nothing known on it."
        names = " or ".join(one.key for one in self.on if one)
        if runs_of_empties(self.absent, self.designators):
            return f"Two components of {names} in a row were missing on head {self.name}."
        if self.bad:
            return f"{names} on head {self.name} measured {self.bad.value.normalize():f} {self.bad.unit_of_measure}."
        return ""

    @property
    def warning(self) -> str:
        """What is to be told on, although the tape may run."""
        if len(self.on) != 1 or self.on[0] is None or self.on[0].quantity is None:
            return ""
        absent = sum(map(len, self.absent.values()))
        if not too_many_empty(absent, int(self.on[0].quantity)):
            return ""
        return f"{absent} of {self.on[0].key} missing: not below one in a thousand. Tell the quality engineer."


@dataclass
class Building:
    """A tape as it is being built, or was."""

    tape: Tape
    stops: list[TapeStop]
    heads: list[Head]

    @property
    def stands(self) -> TapeStop | None:
        """The stop that it stands in."""
        return next((stop for stop in self.stops if stop.until == OPEN), None)

    @property
    def begun(self) -> bool:
        """Whether it ever ran."""
        return any(stop.until < OPEN for stop in self.stops)

    @property
    def board_set(self) -> int:
        """The board set at the reference when it stood last."""
        return self.stops[-1].first // self.tape.links if self.stops else 0

    @property
    def state(self) -> str:
        """In a word or two."""
        if self.tape.aborted:
            return "aborted"
        if self.tape.built_until < OPEN:
            return "finished"
        if self.stands is None:
            return "running"
        return "stands" if self.begun else "being loaded"

    @property
    def empties(self) -> list[tuple[int, str]]:
        """(board set, designator) of every place that is empty and was not filled."""
        return sorted((number, name) for head in self.heads for number, names in head.empty.items() for name in names)

    @property
    def troubles(self) -> list[str]:
        """Why it may not run on."""
        return [head.trouble for head in self.heads if head.trouble]


def read_building(tape: Tape) -> Building:
    """The tape, and its heads from the reference on up the chain."""
    stops = list(TapeStop.objects.filter(tape=tape).select_related("by", "ended_by").order_by("since", "id"))
    lines = SetUpLine.objects.filter(setup__axis__tape=tape).select_related("feed__axis__tape").order_by("link", "id")
    parts = {
        row.name: row.line.child
        for row in Designator.objects.filter(parent=tape.assembly_id).select_related("line__child")
    }
    heads: dict[int, Head] = {}
    for line in lines:
        head = heads.setdefault(line.feed_id, Head(line.feed, parts[line.designator]))
        head.designators.append(line.designator)
        head.links.append(line.link or 0)
    building = Building(tape, stops, sorted(heads.values(), key=lambda head: (head.feed.distance, head.feed.key)))
    spans: dict[int, list[Span]] = defaultdict(list)
    for span in list_hung([head.feed for head in building.heads]):
        spans[span.feed_id].append(span)
    ended = tape.built_until < OPEN
    for pk, head in heads.items():
        head.here = find_here(tape, head.feed.distance, head.links, stops[-1] if stops else None)
        at = tape.board_sets if ended else head.here[1]
        yet = [span for span in spans[pk] if at < span.end]
        at = max(at, min((span.first for span in yet), default=0))  # past board sets that were filled by hand alone
        head.on = list(dict.fromkeys(span.container for span in yet if ended or span.first <= at))
    _add_empties(heads)
    _add_readings(tape, heads)
    left = find_all_left([one for head in heads.values() for one in head.on if one])
    for head in heads.values():
        if len(head.on) == 1 and head.on[0]:
            head.left = left.get(head.on[0].pk)
    return building


def _add_empties(heads: Mapping[int, Head]) -> None:
    acts = (FeedRecord.Act.LOAD, FeedRecord.Act.FOUND, FeedRecord.Act.SPLICE, FeedRecord.Act.HAND_FILL)
    put_on: dict[int, FeedRecord] = {}
    filled: dict[tuple[int, int], int] = defaultdict(int)
    records = FeedRecord.objects.filter(feed__in=heads, act__in=acts, superseded=None)
    for record in records.order_by("happened", "id"):
        if record.act == FeedRecord.Act.HAND_FILL:
            filled[record.feed_id, record.first] += 1
        else:
            put_on[record.feed_id] = record
    for row in EmptyPlace.objects.filter(feed__in=heads).order_by("board_set", "id"):
        head = heads[row.feed_id]
        since = put_on.get(row.feed_id)
        if since is None or row.happened >= since.happened:
            head.absent.setdefault(row.board_set, []).append(row.designator)
        if filled[row.feed_id, row.board_set] > 0:
            filled[row.feed_id, row.board_set] -= 1
        else:
            head.empty.setdefault(row.board_set, []).append(row.designator)


def _add_readings(tape: Tape, heads: Mapping[int, Head]) -> None:
    last = {row.feed_id or 0: row for row in TapeReading.objects.filter(tape=tape, feed__isnull=False)}
    for pk, row in last.items():
        if pk in heads and not row.good and row.container_id in {one.pk for one in heads[pk].on if one}:
            heads[pk].bad = row


def list_head_offers(building: Building, at: datetime) -> dict[str, list[Stocked]]:
    """Per head, by its name, the containers that it may be given next, in order; those of approved substitutes last."""
    heads = building.heads
    fitting = list_fitting(building.tape.assembly, [(head.part.key, head.designators) for head in heads])
    stock = list_offers({part for parts in fitting for part in parts}, at)
    return {
        head.name: [stocked for part in parts for stocked in stock[part.key]]
        for head, parts in zip(heads, fitting, strict=True)
    }


# Planning -------------------------------------------------------------------------------------------------------------


def list_order(assembly: Part, step: int | None) -> list[tuple[str, str]]:
    """(designator, part) of what a step inserts, in the order of the placements; in that of the bill of material where
    the assembly has none. `step` None is every placed designator."""
    rows = {row.name: row for row in Designator.objects.filter(parent=assembly).select_related("line__child")}
    names = list_insertion_order(assembly) or list(rows)
    parts = [(name, rows[name].line.child) for name in names if step is None or rows[name].step_number == step]
    return [(name, part.key) for name, part in parts if not part.serialised and part.kind == Part.Kind.COMPONENT]


def plan_from_stock(
    assembly: Part, *, step: int | None, board_sets: int, heads: int, spacing: int, at: datetime
) -> TapePlan:
    """The plan of a tape by what is in stock then; what is approved in a part's place comes after the part itself.

    Refuses with PlanRefused.
    """
    order = list_order(assembly, step)
    served: dict[str, list[str]] = defaultdict(list)
    for designator, part in order:
        served[part].append(designator)
    fitting = dict(zip(served, list_fitting(assembly, served.items()), strict=True))
    stock = list_stock({part for parts in fitting.values() for part in parts}, at)
    offers = {key: [offer for part in parts for offer in stock[part.key]] for key, parts in fitting.items()}
    return plan_tape(order=order, board_sets=board_sets, offers=offers, heads=heads, spacing=spacing)


# Mounting -------------------------------------------------------------------------------------------------------------


def find_mount(tape: Tape) -> Mount | None:
    """Where a tape is mounted."""
    return Mount.objects.filter(tape=tape, until=OPEN).select_related("station", "by").first()


def find_next_board_set(tape: Tape) -> int:
    """The board set that is drawn next: after the last that was drawn, or as read where it was taken off last."""
    return find_next_board_sets([tape])[tape.pk]


def find_next_board_sets(tapes: Iterable[Tape]) -> dict[int, int]:
    """The same of each tape, by id."""
    following = {tape.pk: 0 for tape in tapes}
    taken_off = Mount.objects.filter(tape__in=following, until__lt=OPEN).order_by("since", "id")
    following |= dict(taken_off.values_list("tape", "end"))
    drawn = Pass.objects.filter(axis__tape__in=following, superseded=None, last__lt=OPEN).exclude(drew=Pass.Drew.NONE)
    for tape, last in drawn.order_by().values_list("axis__tape").annotate(Max("last")):
        following[tape] = max(following[tape], last + 1)
    return following


def find_slip(tape: Tape) -> tuple[int, int] | None:
    """(next board set by the boards drawn, as read on the tape) where it came off last, if these differ: the count of
    its board sets slipped, and is to be corrected."""
    mount = Mount.objects.filter(tape=tape, until__lt=OPEN).order_by("since", "id").last()
    if mount is None:
        return None
    drawn = Pass.objects.filter(axis__tape=tape, superseded=None, began__lte=mount.until).exclude(drew=Pass.Drew.NONE)
    last = drawn.aggregate(Max("last"))["last__max"]
    counted = mount.first if last is None else max(last + 1, mount.first)
    return (counted, mount.end) if counted != mount.end else None


def list_giving_yet(tape: Tape, first: int) -> Collection[Container]:
    """The containers that may give to the board sets of a tape from one on."""
    spans = Span.objects.filter(feed__axis__tape=tape, superseded=None, container__isnull=False)
    left = spans.filter(end__gt=first, first__lt=tape.board_sets).select_related("container__lot")
    return list({span.container_id: span.container for span in left if span.container}.values())
