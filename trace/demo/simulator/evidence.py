"""What a plant told, put in order for reasoning: acts at feeds, visits with the ranges that their scans prove, fills,
fittings. Read from the operations as they were called; nothing of the system's own reckoning, and no truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from trace.core.clock import OPEN, to_ticks
from trace.demo.simulator.layout import BEGIN, INSERTION, SECOND, STATIONS, WORK_SECONDS, serves
from trace.demo.simulator.plant import SimPlant, Told
from trace.engineering.models import ScanMode

WORK = WORK_SECONDS * SECOND
STEP = {**dict.fromkeys(INSERTION, 10), "TAPER": 20, "WAVE": 30, "FINAL": 10, "PROOF": 10}
ACTS = {
    "load_feed": "load",
    "splice_feed": "splice",
    "top_up_feed": "pour",
    "charge_bath": "charge",
    "dump_bath": "dump",
    "take_off_feed": "take off",
    "clear_feed": "clear",
}
TAPE_DESIGNATORS = {"TAPE-H1": "T1", "TAPE-H2": "T2"}


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
class Visit:
    """A unit at a station, by its scans."""

    unit: str
    station: str
    scanned_in: int | None
    scanned_out: int | None = None
    position: tuple[int, int] | None = None
    outcome: str = ""
    drew: str | None = None
    only: list[str] | None = None
    sure: bool = True
    void: bool = False


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
    setups: dict[str, list[tuple[int, int]]] = field(default_factory=lambda: defaultdict(list))
    visits: list[Visit] = field(default_factory=list)
    scans: dict[str, list[tuple[int, str]]] = field(default_factory=lambda: defaultdict(list))
    received: dict[str, int] = field(default_factory=dict)

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
    elif told.verb == "split_container":
        evidence.fills[told.result.key].append((told.at, ("container", given["source"].key)))
    elif told.verb == "merge_containers":
        for source in given["sources"]:
            evidence.fills[told.result.key].append((told.at, ("container", source.key)))
    elif told.verb == "remove_part" and given.get("salvage"):
        place = given["unit"].key, given["designator"]
        evidence.fills[given["salvage"]].append((told.at, ("place", *place)))


def _read_floor(evidence: Evidence, told: Told, entries: dict[int, Visit]) -> None:
    given, at = told.arguments, told.at
    match told.verb:
        case "release_order":
            for serial in given["serials"]:
                evidence.scans[serial].append((at, ""))
        case "start_pass":
            visit = Visit(given["unit"].key, given["station"].key, at, position=given.get("position"))
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
        case "void_pass":
            entries[given["entry"].pk].void = True
        case "start_setup":
            station = given["station"].key
            variant = int(given["feeds"]["R2"].key.endswith("-X"))
            evidence.setups[station].append((at if given["position"] is None else given["position"], variant))
        case "fit_child":
            evidence.homes[given["child"].key] = given["unit"].key, given["designator"]
            evidence.scans[given["child"].key].append((at, "fitted"))
        case "scrap_unit":
            evidence.scans[given["unit"].key].append((at, "scrapped"))
        case "pack_units":
            for unit in given["units"]:
                evidence.scans[unit.key].append((at, "packed"))
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
    for child, home in list(evidence.homes.items()):
        if home == (unit, designator):
            del evidence.homes[child]
    event = Event(told.at, told.at, True)
    if given.get("container"):
        event.container = given["container"].key
    elif given.get("feed"):
        event.draws = [Draw(given["feed"].key, told.at, told.at, True, told.at)]
    evidence.events[unit, designator].append(event)


def ranges(evidence: Evidence, visit: Visit) -> tuple[int, int]:
    """When the unit can have drawn, by what the station's scans prove."""
    mode = STATIONS[visit.station]
    scan = visit.scanned_in if visit.scanned_in is not None else visit.scanned_out
    assert scan is not None
    others = [other for other in evidence.visits if other is not visit and not other.void]
    own = [at for v in others if v.unit == visit.unit and v.station != visit.station for at in _scans(v)]
    own += [at for at, _ in evidence.scans[visit.unit]]
    before = max((at for at in own if at <= scan), default=scan)
    if mode == ScanMode.LOOSE:
        left = visit.scanned_out or scan
        return before, min((at for at in own if at >= left and at > before), default=OPEN) if visit.outcome else OPEN
    began, ended = visit.scanned_in, visit.scanned_out
    if mode == ScanMode.ONE_AT_A_TIME:
        here = sorted({at for v in (*others, visit) if v.station == visit.station for at in _scans(v)})
        start, end = _batch(here, scan)
        if began is None or start < scan or (ended is not None and ended - began < WORK):
            began = max((at for at in here if at < start), default=before)
        if ended is not None:
            ended = _batch(here, ended)[1]
        elif visit.outcome:
            ended = min((at for at in here if at > end), default=None)
    return before if began is None else began, OPEN if ended is None else ended


def _batch(scans: list[int], scan: int) -> tuple[int, int]:
    """The first and the last of the scans that follow each other faster than the work, this one among them."""
    first = last = scan
    for at in reversed([at for at in scans if at < scan]):
        if first - at >= WORK:
            break
        first = at
    for at in (at for at in scans if at > scan):
        if at - last >= WORK:
            break
        last = at
    return first, last


def _scans(visit: Visit) -> list[int]:
    return [at for at in (visit.scanned_in, visit.scanned_out) if at is not None]


def _place(evidence: Evidence, visit: Visit) -> None:
    """What a visit put at each designator."""
    began, ended = ranges(evidence, visit)
    first, last = visit.position or (began, ended)
    events: dict[str, Event] = {}
    if visit.station == "TAPER":
        served = [(0, OPEN, {designator: feed for feed, designator in TAPE_DESIGNATORS.items()})]
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
