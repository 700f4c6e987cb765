"""Tapes as pages show them: what each is doing, its plan, what its heads want, what was done with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import QuerySet

from trace.core.clock import OPEN
from trace.engineering.rules import run_together
from trace.floor.models import Pass
from trace.floor.tapes import Building, Head, find_next_board_sets
from trace.material.models import Mount, Tape, TapeReading, TapeStop
from trace.material.queries import Stocked
from trace.material.sequencing import HeadPlan, TapePlan
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.sheets.base import Fact
from trace.web.tables import Column, Table


@dataclass(frozen=True)
class Standing:
    """A tape and what it is doing."""

    tape: Tape
    state: str
    mount: Mount | None
    following: int

    @property
    def left(self) -> int | None:
        """Board sets that are still to be drawn from it; None while it is built."""
        if self.tape.built_until == OPEN:
            return None
        return 0 if self.tape.aborted else max(self.tape.board_sets - self.following, 0)


LATEST = 300
"""So many tapes are listed: of each the boards that were drawn from it are looked at."""

STATES = ("being built", "mounted", "free", "used up", "given up")


def list_standing() -> list[Standing]:
    """The latest tapes, and every one that is mounted: what is being built first, then those, then what is free."""
    every = Tape.objects.select_related("assembly").order_by("-built_from", "key")
    on = Mount.objects.filter(until=OPEN).values("tape")
    tapes = list({tape.pk: tape for tape in [*every[:LATEST], *every.filter(pk__in=on)]}.values())
    mounts = {mount.tape_id: mount for mount in Mount.objects.filter(until=OPEN).select_related("station")}
    following = find_next_board_sets(tapes)

    def state(tape: Tape) -> str:
        if tape.aborted:
            return "given up"
        if tape.built_until == OPEN:
            return "being built"
        if tape.pk in mounts:
            return "mounted"
        return "free" if following[tape.pk] < tape.board_sets else "used up"

    rows = [Standing(tape, state(tape), mounts.get(tape.pk), following[tape.pk]) for tape in tapes]
    return sorted(rows, key=lambda row: STATES.index(row.state))


def tapes_table(rows: Sequence[Standing]) -> Table:
    return Table(
        "tapes",
        "Tapes",
        [
            Column("tape", "Tape", lambda row: Ref("tape", row.tape.key)),
            Column("state", "State", lambda row: row.state, choose=True),
            Column("assembly", "For", lambda row: Ref("part", row.tape.assembly.key), choose=True),
            Column("at", "Mounted at", lambda row: Ref("station", row.mount.station.key) if row.mount else ""),
            Column("sets", "Board sets", lambda row: row.tape.board_sets, number=True),
            Column("next", "Next board set", lambda row: row.following if row.left else "", number=True),
            Column("left", "Left", lambda row: row.left, number=True),
            Column("since", "Begun", lambda row: Moment(row.tape.built_from)),
        ],
        rows,
        "No tape is on record. Plan one: choose the board, and how many board sets.",
        note=f"The {LATEST} latest, and every one that is mounted." if len(rows) >= LATEST else "",
    )


# The plan -------------------------------------------------------------------------------------------------------------


def _loads(head: HeadPlan) -> Several:
    loads = (
        Several((Ref("container", load.container), f"from board set {load.first}" if load.first else "at first"), " ")
        for load in head.loads
    )
    return Several(tuple(loads), ", then ")


def plan_tables(plan: TapePlan) -> list[Table]:
    """The heads with their containers in order, and the changes that are expected."""
    return [
        Table(
            "heads",
            "Which part on which head",
            [
                Column("head", "Head", lambda head: head.name),
                Column("distance", "Links up the chain", lambda head: head.distance, number=True),
                Column("part", "Part", lambda head: Ref("part", head.part)),
                Column("serves", "Serves", lambda head: run_together(head.designators)),
                Column("wanted", "Wanted", lambda head: head.wanted, number=True),
                Column("loads", "Containers in order", _loads),
                Column("short", "Short", lambda head: head.short or "", number=True),
                Column("counted", "Counted", lambda head: "yes" if head.counted else "no", choose=True),
            ],
            plan.heads,
            "It has no heads.",
            note="What expires first comes first, then what came first. What nobody counted has no foreseen end.",
        ),
        Table(
            "changes",
            "Changes to expect",
            [
                Column("at", "Board set", lambda change: change[0], number=True),
                Column("head", "Head", lambda change: change[1].name),
                Column("part", "Part", lambda change: Ref("part", change[1].part)),
                Column("container", "Container", lambda change: Ref("container", change[2].container)),
            ],
            plan.changes,
            "No container has to be changed, by what was counted.",
        ),
    ]


# Building -------------------------------------------------------------------------------------------------------------


def where_words(building: Building) -> str:
    """Where the tape is, in a sentence."""
    tape, stop = building.tape, building.stands
    if building.state == "aborted":
        return f"It was given up: {tape.aborted}."
    if building.state == "finished":
        return f"It is finished: {tape.board_sets} board sets."
    if stop is None:
        return "It runs."
    if not building.begun:
        return "Its heads are being loaded."
    if not stop.is_read:
        return f"It stands: {stop.reason} Nobody read yet at which board set."
    return f"It stands at board set {building.board_set}: {stop.reason}."


def heads_table(building: Building, offers: Mapping[str, Sequence[Stocked]]) -> Table:
    """Each head: what it takes, what is on it, how long that lasts, what comes next."""
    ended = building.tape.built_until < OPEN

    def next_ones(head: Head) -> Several:
        return Several(tuple(Ref("container", one.container.key) for one in offers.get(head.name, ())[:2]))

    def lasts(head: Head) -> str:
        if ended or head.runs_out is None:
            return ""
        return f"to board set {head.runs_out}" if head.runs_out < building.tape.board_sets else "to the end"

    return Table(
        "heads",
        "Heads, from the reference up the chain",
        [
            Column("head", "Head", lambda head: Ref("feed", head.feed.key)),
            Column("part", "Takes", lambda head: Ref("part", head.part.key, head.part.name)),
            Column("serves", "Serves", lambda head: run_together(head.designators)),
            Column(
                "on",
                "On it",
                lambda head: Several(
                    tuple(Ref("container", one.key) if one else Mark("unknown") for one in head.on if one or not ended),
                    " or ",
                ),
            ),
            Column("lasts", "Lasts", lasts),
            Column("next", "In stock, what to take first", next_ones),
            Column(
                "trouble", "To do", lambda head: "" if ended else " ".join(filter(None, [head.trouble, head.warning]))
            ),
        ],
        building.heads,
        "It has no heads.",
    )


def stops_table(stops: Sequence[TapeStop], links: int) -> Table:
    def board_set(stop: TapeStop) -> str:
        first, last = stop.first // links, stop.last // links
        return str(first) if first == last else f"{first}–{last}"

    return Table(
        "stops",
        "When it stood",
        [
            Column("since", "From", lambda stop: Moment(stop.since)),
            Column("until", "Until", lambda stop: Moment(stop.until) if stop.until < OPEN else "now"),
            Column("at", "Board set", board_set),
            Column("why", "Why", lambda stop: stop.reason),
            Column("by", "By", lambda stop: Ref("person", stop.by.key, stop.by.name)),
        ],
        list(stops),
        "No stop is on record.",
    )


def readings_table(tape: Tape) -> Table:
    def limits(reading: TapeReading) -> str:
        lower, upper = (
            f"{limit.normalize():f}" if limit is not None else "" for limit in (reading.lower, reading.upper)
        )
        return f"{lower} to {upper}" if lower and upper else f"from {lower}" if lower else f"up to {upper}"

    return Table(
        "readings",
        "What was measured",
        [
            Column("when", "When", lambda r: Moment(r.happened)),
            Column("head", "Head", lambda r: Ref("feed", r.feed.key) if r.feed else ""),
            Column("container", "Container", lambda r: Ref("container", r.container.key) if r.container else ""),
            Column("name", "What", lambda r: r.name),
            Column("value", "Measured", lambda r: f"{r.value.normalize():f} {r.unit_of_measure}", number=True),
            Column("limits", "Limits", limits),
            Column("good", "Within them", lambda r: Mark("right" if r.good else "wrong")),
            Column("by", "By", lambda r: Ref("person", r.by.key, r.by.name)),
        ],
        list(tape.readings.select_related("feed", "container", "by").order_by("-happened")),
        "Nothing was measured.",
    )


def mounts_table(mounts: QuerySet[Mount]) -> Table:
    return Table(
        "mounts",
        "Where it was mounted",
        [
            Column("station", "At", lambda m: Ref("station", m.station.key)),
            Column("since", "From", lambda m: Moment(m.since), "since"),
            Column("until", "Until", lambda m: Moment(m.until) if m.until < OPEN else "now", "until"),
            Column("first", "First board set", lambda m: m.first, "first", number=True),
            Column("end", "Next where it came off", lambda m: m.end if m.end < OPEN else "", "end", number=True),
            Column("reason", "Why not at the next one", lambda m: m.reason),
            Column("by", "By", lambda m: Ref("person", m.by.key, m.by.name), "by__key"),
        ],
        mounts.select_related("station", "by").order_by("-since"),
        "It was never mounted.",
    )


def drawn_table(passes: QuerySet[Pass]) -> Table:
    return Table(
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


def tape_facts(building: Building, mount: Mount | None, following: int, pace: Decimal | None) -> list[Fact]:
    """What is said of a tape beside its strip."""
    tape = building.tape
    planned = tape.board_sets if tape.planned is None else tape.planned
    facts: list[Fact] = [
        ("For", Ref("part", tape.assembly.key, tape.assembly.name)),
        ("Board sets", f"{tape.board_sets}, {planned} planned" if planned != tape.board_sets else planned),
        ("Links to a board set", tape.links),
        (
            "Built at",
            Ref("station", tape.station.key, tape.station.name) if tape.station else "no station of the plant",
        ),
        ("Built from", Moment(tape.built_from)),
        ("Built until", Moment(tape.built_until) if tape.built_until < OPEN else "still being built"),
    ]
    if tape.built_until < OPEN and not tape.aborted:
        left = max(tape.board_sets - following, 0)
        lasts = f"{left}, about {int(left * pace)} minutes" if pace and mount else left
        facts += [
            ("Mounted at", Ref("station", mount.station.key, mount.station.name) if mount else "no machine"),
            ("Next board set", following if left else "none"),
            ("Board sets left", lasts),
        ]
    return facts
