"""What a plant told, put in order for reasoning: acts at feeds, visits with the ranges that their scans prove, fills,
fittings. Read from the operations as they were called; nothing of the system's own reckoning, and no truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from trace.core.clock import OPEN, to_ticks
from trace.demo.simulator.layout import BEGIN, INSERTION, STATIONS, serves
from trace.demo.simulator.plant import SimPlant, Told
from trace.demo.simulator.scans import Visit, ranges
from trace.engineering.models import ScanMode

STEP = {**dict.fromkeys(INSERTION, 10), "TAPER": 20, "WAVE": 30, "FINAL": 10, "PROOF": 10}
ACTS = {
    "load_feed": "load",
    "load_head": "load",
    "splice_feed": "splice",
    "splice_head": "splice",
    "top_up_feed": "pour",
    "charge_bath": "charge",
    "dump_bath": "dump",
    "take_off_feed": "take off",
    "clear_feed": "clear",
}
TAPE_HEADS = {"T1": "H1", "T2": "H2"}


@dataclass
class Act:
    """Done at a feed somewhere in `first..last` of its axis, told at a moment; `counted` parts were then in the place
    at most."""

    kind: str
    container: str | None
    first: int
    last: int
    at: int
    lead: int = 0
    tolerance: int = 0
    counted: int | None = None
    unseen_from: int = 0


@dataclass
class Event:
    """Something at a designator between two moments: draws, each from one feed over a range, or a fitting."""

    began: int
    ended: int
    sure: bool
    draws: list[Draw] = field(default_factory=list)
    container: str | None = None


@dataclass
class Draw:
    feed: str
    first: int
    last: int
    sure: bool
    ended: int


@dataclass
class Evidence:
    """Everything told, per feed, per place, per container."""

    acts: dict[str, list[Act]] = field(default_factory=lambda: defaultdict(list))
    by_hand: dict[tuple[str, int], str] = field(default_factory=dict)
    fills: dict[str, list[tuple[int, tuple]]] = field(default_factory=lambda: defaultdict(list))
    events: dict[tuple[str, str], list[Event]] = field(default_factory=lambda: defaultdict(list))
    homes: dict[str, tuple[str, str]] = field(default_factory=dict)
    lost: dict[tuple[str, str], int] = field(default_factory=dict)
    """Places whose child was found elsewhere, and when: which is there nobody knows."""
    setups: dict[str, list[tuple[int, int]]] = field(default_factory=lambda: defaultdict(list))
    visits: list[Visit] = field(default_factory=list)
    scans: dict[str, list[tuple[int, str]]] = field(default_factory=lambda: defaultdict(list))
    received: dict[str, int] = field(default_factory=dict)
    unclear: set[str] = field(default_factory=set)
    """Feeds with moments within an error, counts, or a reel seen away: not reasoned about."""

    def draws(self, feed: str) -> Iterator[Draw]:
        for events in self.events.values():
            for event in events:
                yield from (draw for draw in event.draws if draw.feed == feed)


def read(plant: SimPlant) -> Evidence:
    """The evidence of a plant's whole story."""
    evidence = Evidence()
    for station in (*INSERTION, "WAVE", "FINAL"):
        evidence.setups[station].append((0 if station == "COUNT" else BEGIN, 0))
    entries: dict[int, Visit] = {}
    for told in plant.told:
        _mark_unclear(evidence, plant, told)
        _read_act(evidence, told)
        _read_stock(evidence, told)
        _read_floor(evidence, told, entries)
    for visit in evidence.visits:
        if not visit.void:
            _place(evidence, visit)
    for label, fills in evidence.fills.items():
        evidence.received.setdefault(label, min(at for at, _ in fills))
    for events in evidence.events.values():
        events.sort(key=lambda event: event.began)
    return evidence


def _mark_unclear(evidence: Evidence, plant: SimPlant, told: Told) -> None:
    given = told.arguments
    if "error" in given:
        station = given["station"].key if "station" in given else given["feed"].key.split("-")[0]
        evidence.unclear |= {feed for feed in plant.feeds if feed.startswith(f"{station}-")}
    if told.verb == "correct_board_sets":
        evidence.unclear |= {f"{given['tape'].key}-{head}" for head in TAPE_HEADS.values()}
    if "at_least" in given:
        evidence.unclear.add(given["feed"].key)
    if told.verb in ("load_feed", "load_head", "splice_feed", "splice_head", "find_on_feed", "store_container"):
        label, here = given["container"].key, given["feed"].key if "feed" in given else ""
        evidence.unclear |= {f for f, acts in evidence.acts.items() if f != here and label in _put_on(acts)}


def _put_on(acts: list[Act]) -> set[str | None]:
    """Containers put on since a feed was last emptied at a known moment."""
    found: set[str | None] = set()
    for act in acts:
        if act.kind in ("load", "take off", "clear") and act.first == act.last:
            found = set()
        found.add(act.container)
    return found


def _read_act(evidence: Evidence, told: Told) -> None:
    given = told.arguments
    if told.verb == "fill_by_hand":
        evidence.by_hand[given["feed"].key, given["board_set"]] = given["container"].key
        return
    if told.verb not in ACTS and told.verb != "find_on_feed":
        return
    feed = given["feed"].key
    first, last = given.get("position") or (told.at, told.at)
    kind = ACTS.get(told.verb) or told.result.act
    if kind == "sighting":
        return
    if kind == "found":
        first = told.result.first
    if told.verb in ("load_head", "splice_head"):
        first, last = told.result.first, told.result.last
    container = given["container"].key if "container" in given else None
    counted = None
    if given.get("quantity") is not None and given.get("left") is not None:
        counted = given["quantity"] + given["left"]
    act = Act(kind, container, first, last, told.at, given.get("lead", 0), given.get("tolerance", 0), counted)
    evidence.acts[feed].append(act)
    if kind == "take off":
        evidence.fills[told.result.key].append((told.at, ("feed", feed, act)))


def _read_stock(evidence: Evidence, told: Told) -> None:
    given = told.arguments
    if told.verb == "receive_lot":
        evidence.received |= {label: told.at for label, _ in given["containers"]}
    elif told.verb == "receive_package":
        evidence.received |= {lot.container: told.at for lot in given["package"].lots}
    elif told.verb in ("split_container", "rereel_container"):
        evidence.fills[told.result.key].append((told.at, ("container", given["source"].key)))
    elif told.verb == "merge_containers":
        for source in given["sources"]:
            evidence.fills[told.result.key].append((told.at, ("container", source.key)))


def _read_floor(evidence: Evidence, told: Told, entries: dict[int, Visit]) -> None:
    given, at = told.arguments, told.at
    match told.verb:
        case "release_order":
            for serial in given["serials"]:
                evidence.scans[serial].append((at, ""))
        case "start_pass":
            tape = given["setup"].axis.tape.key if given.get("setup") else ""
            visit = Visit(given["unit"].key, given["station"].key, at, position=given.get("position"), tape=tape)
            _enter(evidence, visit, entries, told.result)
        case "finish_pass":
            visit = next(v for v in reversed(evidence.visits) if v.unit == given["unit"].key and not v.outcome)
            visit.scanned_out = at
            _leave(visit, given)
        case "record_passes":
            for number, unit in enumerate(given["units"]):
                entered = given.get("entered")
                position = given["positions"][number] if given.get("positions") else None
                visit = Visit(unit.key, given["station"].key, to_ticks(entered) if entered else None, at, position)
                _enter(evidence, visit, entries, told.result[number])
                _leave(visit, given)
                if told.result[number].stopped:
                    visit.outcome = "aborted"
                    visit.sure = visit.only is not None or visit.sure and STATIONS[visit.station] != ScanMode.LOOSE
        case "void_pass":
            entries[given["entry"].pk].void = True
        case "start_setup":
            station = given["station"].key
            variant = int(given["feeds"]["R2"].key.endswith("-X"))
            evidence.setups[station].append((at if given["position"] is None else given["position"], variant))
        case "fit_child" | "swap_child":
            _fit_child(evidence, told)
        case "record_repair":
            if given.get("keep"):
                _salvage(evidence, (given["unit"].key, given["designator"]), given["keep"], at)
            if given.get("container"):
                _fit(evidence, told)
            if given.get("child"):
                _fit_child(evidence, told)
        case "find_child" | "find_loose":
            child = given["child"].key
            here = (given["unit"].key, given["designator"]) if "unit" in given else None
            if (home := evidence.homes.pop(child, None)) and home != here:
                evidence.lost[home] = at
            if here:
                _empty(evidence, here)
                evidence.homes[child] = here
            evidence.scans[child].append((at, "found"))
        case "find_empty":
            _empty(evidence, (given["unit"].key, given["designator"]))
        case "scrap_unit":
            for designator, label in given.get("salvage", {}).items():
                _salvage(evidence, (given["unit"].key, designator), label, at)
            evidence.scans[given["unit"].key].append((at, "scrapped"))
        case "pack_units":
            for unit in given["units"]:
                evidence.scans[unit.key].append((at, "packed"))
        case "remove_part" if given.get("salvage"):
            _salvage(evidence, (given["unit"].key, given["designator"]), given["salvage"], at)
        case "fit_part" | "remove_part":
            _fit(evidence, told)


def _enter(evidence: Evidence, visit: Visit, entries: dict[int, Visit], entry: Any) -> None:
    if STATIONS[visit.station] == ScanMode.ONE_AT_A_TIME:
        for other in evidence.visits:
            if other.station == visit.station and not other.outcome:
                other.outcome = "passed"
    visit.sure = not any(
        other.unit == visit.unit and STEP[other.station] == STEP[visit.station] and not other.void
        for other in evidence.visits
    )
    evidence.visits.append(visit)
    entries[entry.pk] = visit


def _leave(visit: Visit, given: dict[str, Any]) -> None:
    visit.outcome = str(given.get("outcome", "passed"))
    visit.only = given.get("only")
    visit.sure = visit.only is not None or visit.sure and visit.outcome != "aborted"


def _fit(evidence: Evidence, told: Told) -> None:
    given = told.arguments
    unit, designator = given["unit"].key, given["designator"]
    _take_out(evidence, (unit, designator), told.at)
    event = Event(told.at, told.at, True)
    if given.get("container"):
        event.container = given["container"].key
    elif given.get("feed"):
        event.draws = [Draw(given["feed"].key, told.at, told.at, True, told.at)]
    evidence.events[unit, designator].append(event)


def _fit_child(evidence: Evidence, told: Told) -> None:
    given = told.arguments
    place, child = (given["unit"].key, given["designator"]), given["child"].key
    _take_out(evidence, place, told.at)
    evidence.homes[child] = place
    evidence.scans[child].append((told.at, "fitted"))


def _salvage(evidence: Evidence, place: tuple[str, str], label: str, at: int) -> None:
    """What is at a place is taken out; a part is kept under a label."""
    if label:
        evidence.fills[label].append((at, ("place", *place)))
        evidence.events[place].append(Event(at, at, True))
    _take_out(evidence, place, at)


def _take_out(evidence: Evidence, place: tuple[str, str], at: int) -> None:
    for child in _empty(evidence, place):
        evidence.scans[child].append((at, "taken out"))


def _empty(evidence: Evidence, place: tuple[str, str]) -> list[str]:
    """A place holds nothing, or not what the record said; returns what was there."""
    evidence.lost.pop(place, None)
    children = [child for child, home in evidence.homes.items() if home == place]
    for child in children:
        del evidence.homes[child]
    return children


def _place(evidence: Evidence, visit: Visit) -> None:
    """What a visit put at each designator."""
    elsewhere = [at for at, _ in evidence.scans[visit.unit]]
    began, ended = ranges(visit, evidence.visits, elsewhere)
    first, last = visit.position or (began, ended)
    events: dict[str, Event] = {}
    if visit.station == "TAPER":
        served = [(0, OPEN, {name: f"{visit.tape}-{head}" for name, head in TAPE_HEADS.items()})]
    else:
        setups = sorted(evidence.setups.get(visit.station, []))
        ends = [*(start for start, _ in setups[1:]), OPEN][: len(setups)]
        served = [
            (start, end, serves(visit.station, variant)) for (start, variant), end in zip(setups, ends, strict=True)
        ]
    for start, end, feeds in served:
        if start > last or end <= first:
            continue
        whole = start <= first and last < end
        for designator, feed in feeds.items():
            if visit.only is None or designator in visit.only:
                event = events.setdefault(designator, Event(began, ended, visit.sure and ended < OPEN))
                event.draws.append(
                    Draw(feed, max(first, start), min(last, end - 1), whole and visit.sure and last < OPEN, ended)
                )
    for designator, event in events.items():
        evidence.events[visit.unit, designator].append(event)
