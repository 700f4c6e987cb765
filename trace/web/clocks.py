"""How long containers may still be used, as pages show it."""

from __future__ import annotations

from collections.abc import Sequence

from trace.engineering.models import Part
from trace.engineering.moisture import BAKED_FIRST
from trace.material.clocks import find_clock
from trace.material.floor_life import HOUR, UNKNOWN, FloorClock
from trace.material.models import BagRecord, Container
from trace.material.queries import Stocked
from trace.web.cells import Mark, Moment, Ref, Several, text_of
from trace.web.corrections import wrong_column
from trace.web.tables import Column, Table

MINUTE = HOUR // 60


def duration(ticks: int) -> str:
    """A stretch of time in its two largest units, rounded down: `3 d 4 h`, `5 h 10 min`."""
    days, rest = divmod(ticks, 24 * HOUR)
    hours, minutes = divmod(rest // MINUTE, 60)
    parts = [f"{days} d" if days else "", f"{hours} h" if hours else "", f"{minutes} min" if minutes else ""]
    return " ".join([part for part in parts if part][:2]) or "less than a minute" * bool(ticks) or "no time"


def describe_moisture(part: Part) -> str:
    """A part's moisture level and what follows from it."""
    if not part.moisture_level:
        return "not sensitive"
    life = f": it may lie open for {duration(part.floor_life * HOUR)}" if part.floor_life else ": no limit"
    return f"level {part.moisture_level}{life}{', after a bake' if part.moisture_level == BAKED_FIRST else ''}"


def describe_clock(clock: FloorClock) -> Several:
    """In words, what is left of a floor life, and whether it runs."""
    if clock.used == UNKNOWN:
        return Several((Mark("to be baked"),))
    if clock.over:
        return Several((Mark("past floor life"), f"by {duration(clock.used - clock.life)}"), " ")
    left = f"{duration(clock.remaining)} of {duration(clock.life)} left"
    return (
        Several((Mark("open"), left, "until", Moment(clock.ends)), " ")
        if clock.running
        else Several((Mark("sealed"), left), " ")
    )


def clock_fact(it: Container, at: int) -> list[tuple[str, Several]]:
    """The fact of a container's page; none where it has no floor life."""
    clock = find_clock(it, at)
    return [("Floor life", describe_clock(clock))] if clock else []


def what_to_do(stocked: Stocked) -> str:
    """What somebody does about it."""
    if stocked.expired:
        return "Put it aside, marked as expired"
    if stocked.clock and stocked.clock.over:
        return "Bake it before it is used"
    if stocked.opened and stocked.clock and stocked.ends == stocked.clock.ends:
        return "Use it, or seal it dry"
    return "Use it first"


def _state(stocked: Stocked) -> Mark:
    if stocked.expired:
        return Mark("expired")
    clock = stocked.clock
    if clock and clock.over:
        return Mark("to be baked" if clock.used == UNKNOWN else "past floor life")
    return Mark("open" if stocked.opened else "sealed" if clock else "good")


def _left(stocked: Stocked) -> str:
    if stocked.ends is None:
        return "no limit"
    return duration(stocked.ends - stocked.at) if stocked.ends > stocked.at else "none"


def _common() -> list[Column]:
    return [
        Column("container", "Container", lambda s: Ref("container", s.container.key, s.container.kind)),
        Column("store", "Lies at", lambda s: s.container.store or "no store on record"),
        Column("state", "State", _state, choose=True),
        Column("left", "Time left", _left),
        Column("ends", "Until", lambda s: Moment(s.ends)),
        Column("lot", "Lot", lambda s: Ref("lot", s.container.lot.key)),
        Column("expiry", "Good until", lambda s: s.container.lot.expiry or ""),
    ]


def clocks_table(rows: Sequence[Stocked]) -> Table:
    """What runs out, soonest first."""
    container, *rest = _common()
    return Table(
        "clocks",
        "What runs out, soonest first",
        [
            container,
            Column("part", "Part", lambda s: Ref("part", s.container.part.key, s.container.part.name), choose=True),
            Column("do", "What to do", what_to_do, choose=True),
            *rest,
        ],
        rows,
        "Nothing runs out. Clocks begin when a lot is received with an expiry, or a dry pack is opened.",
    )


def offers_table(offers: Sequence[Stocked]) -> Table:
    """Which container is to be used first."""
    return Table(
        "offers",
        "Take first",
        [*_common(), Column("received", "In the plant since", lambda s: Moment(s.container.received))],
        offers,
        "None can be fetched: receive a lot, or see what is held, open for too long or expired.",
        note="Open bags with the least time left come first, then what expires first, then what came first.",
    )


def first_offer(offers: Sequence[Stocked]) -> str:
    """In a sentence, which one to take."""
    if not offers:
        return ""
    it = offers[0]
    where = f"it lies at {it.container.store}" if it.container.store else "where it lies is not on record"
    return f"Take {it.container.kind} {it.container.key} first: {where}."


def bags_table(it: Container, at: int) -> Table:
    """What was done with the dry pack of a container, up to a moment."""

    def how(bag: BagRecord) -> str:
        if bag.act == BagRecord.Act.BAKED:
            return f"{text_of(bag.hours)} h at {text_of(bag.temperature)} °C"
        return bag.get_storage_display() if bag.storage else ""

    return Table(
        "bags",
        "Its dry pack",
        [
            Column("at", "When", lambda bag: Moment(bag.at), "at"),
            Column("act", "What", lambda bag: bag.get_act_display(), "act"),
            Column("how", "How", how),
            Column(
                "equipment",
                "With",
                lambda bag: Ref("equipment", bag.equipment.key) if bag.equipment else "",
                "equipment__key",
            ),
            Column("by", "By", lambda bag: Ref("person", bag.by.key, bag.by.name), "by__key"),
            wrong_column(),
        ],
        it.bag_records.filter(superseded=None, at__lte=at)
        .select_related("container", "equipment", "by")
        .order_by("at", "id"),
        "It was neither opened nor sealed or baked, by what is on record.",
    )
