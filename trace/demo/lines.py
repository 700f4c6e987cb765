"""Boards, modules and ventilators on their way through the plant, rack by rack, by the timetable."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from trace.demo import decisions, stories, troubleshooting
from trace.demo.calendar import SLOTS_PER_RACK, UNTIL, ZONE, Act, moment
from trace.demo.measuring import is_test, read
from trace.demo.plant import PLANNER, Plant, rows
from trace.demo.supply import RADIAL
from trace.demo.tapes import BOARD, INSERTER, TAPES
from trace.demo.verifying import plan_approval
from trace.engineering.models import ScanMode
from trace.floor.models import Unit
from trace.floor.operations.fittings import fit_children
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import record_passes, start_pass
from trace.floor.operations.readings import record_test
from trace.material.models import SetUp

RACKS_PER_ORDER = 6
RACKS = 6 * RACKS_PER_ORDER
DAYS_TO_BUILD = 23
"""From the release of an order to the day on which it is due."""


@dataclass(frozen=True)
class Stop:
    """One line of the timetable: these parts, of so many racks together, are at a station so many slots after the
    first rack's start."""

    parts: tuple[str, ...]
    stations: tuple[str, ...]
    racks: int
    slots: int
    begin: int
    end: int

    def station(self, rack: int) -> str:
        return self.stations[rack % len(self.stations)]


def timetable() -> list[Stop]:
    return [
        Stop(
            tuple(row["parts"].split()),
            tuple(row["stations"].split()),
            int(row["racks"]),
            int(row["slots"]),
            int(row["begin"]),
            int(row["end"]),
        )
        for row in rows("timetable")
    ]


def plan_orders(plant: Plant) -> Iterator[Act]:
    """An order for every six racks of each assembly, released as the first of them starts."""
    first_stops: dict[str, Stop] = {}
    for stop in timetable():
        for part in stop.parts:
            first_stops.setdefault(part, stop)

    def release(part: str, rack: int, at: datetime) -> None:
        plant.tell(
            release_order,
            key=f"WO-{part.partition('-')[0]}-{rack // RACKS_PER_ORDER + 1}",
            part=plant.parts[part],
            site=plant.site,
            quantity=len(plant.serials(part, rack, RACKS_PER_ORDER)),
            due=(at + timedelta(days=DAYS_TO_BUILD)).astimezone(ZONE).date(),
            by=plant.people[PLANNER],
            at=at,
        )

    for part, stop in first_stops.items():
        for rack in range(0, RACKS, RACKS_PER_ORDER):
            yield Act(moment(rack * SLOTS_PER_RACK + stop.slots, stop.begin - 5), partial(release, part, rack))


def plan_lines(plant: Plant) -> Iterator[Act]:
    """Every rack at every stop of the timetable, its children fitted at the first."""
    children: dict[str, list[tuple[str, str]]] = {}
    for row in rows("bom"):
        if plant.parts[row["part"]].serialised:
            children.setdefault(row["assembly"], []).extend((row["part"], d) for d in row["designators"].split())
    for stop in timetable():
        inner = children.pop(stop.parts[0], [])
        for rack in range(0, RACKS, stop.racks):
            if decisions.is_skipped(stop.parts, stop.station(rack), rack):
                continue
            serials = [serial for part in stop.parts for serial in plant.serials(part, rack, stop.racks)]
            serials = [serial for serial in serials if not stories.is_gone(plant, serial, stop.slots)]
            slot = rack * SLOTS_PER_RACK + stop.slots
            if inner:
                yield _plan_fits(plant, stop, rack, serials, inner, moment(slot, stop.begin + 0.5))
            yield from _plan_visit(plant, stop, rack, serials, moment(slot, stop.begin), moment(slot, stop.end))


def _plan_fits(
    plant: Plant, stop: Stop, rack: int, serials: Sequence[str], children: Sequence[tuple[str, str]], at: datetime
) -> Act:
    """A rack's children are fitted, in the order of their serials."""
    own = {part: iter(plant.serials(part, rack, stop.racks)) for part, _ in children}
    fits = [
        (serial, designator, stories.moved_into(plant, serial, designator) or child)
        for serial in serials
        for part, designator in children
        for child in [next(own[part])]
    ]
    return Act(
        at,
        lambda at: plant.tell(
            fit_children,
            fits=[
                (plant.find(Unit, serial), designator, plant.find(Unit, child)) for serial, designator, child in fits
            ],
            by=plant.operator(stop.stations[0], at),
            at=at,
        ),
    )


def _plan_visit(
    plant: Plant, stop: Stop, rack: int, serials: Sequence[str], begin: datetime, end: datetime
) -> Iterator[Act]:
    """A rack passes together; where the story stops in the middle of a visit it has only gone in."""
    station = plant.stations[stop.station(rack)]
    key = station.key
    positions, tape = _positions(plant, key, rack)

    def tape_setup() -> SetUp | None:
        return plant.find(SetUp, f"{tape}-SETUP") if tape else None

    def go_in(serial: str, position: tuple[int, int] | None, done: float) -> Callable[[datetime], object]:
        draws = begin + (end - begin) * done
        return lambda at: plant.tell(
            start_pass,
            really={"draws": draws if draws <= UNTIL else None},
            unit=plant.find(Unit, serial),
            station=station,
            position=position,
            setup=tape_setup(),
            by=plant.operator(key, at),
            at=at,
        )

    failing = [serial for serial in serials if "BT1" in stop.stations and stories.fails(plant, serial)]

    def go_through(
        group: Sequence[str] = serials,
        positions: Sequence[tuple[int, int]] | None = positions,
        begin: datetime = begin,
    ) -> Callable[[datetime], object]:
        visit: dict[str, Any] = {
            "really": {"began": begin},
            "station": station,
            "entered": begin if station.scan_mode == ScanMode.GATED else None,
            "rack": f"RACK-{rack + 1:03}" if len(group) > 1 else "",
        }

        def go(at: datetime) -> None:
            by = plant.operator(key, at)
            if is_test(plant, serials[0], key):
                results = [read(plant, serial, key, fails=serial in failing) for serial in group]
                plant.tell(record_test, results=results, passes=True, **visit, by=by, at=at)
            else:
                units = [plant.find(Unit, serial) for serial in group]
                plant.tell(record_passes, units=units, positions=positions, setup=tape_setup(), **visit, by=by, at=at)

        return go

    if begin <= UNTIL < end:
        for n, serial in enumerate(serials):
            yield Act(begin, go_in(serial, positions[n] if positions else None, (n + 0.5) / len(serials)))
        return
    if setup := _changed_over(key, rack, tape):
        # The first board goes through alone, and the others once it is approved.
        assert positions
        alone, on = begin + timedelta(minutes=3), begin + timedelta(minutes=12)
        yield Act(alone, go_through(serials[:1], positions[:1]))
        yield plan_approval(plant, setup, serials[0], begin + timedelta(minutes=9))
        yield Act(end, go_through(serials[1:], positions[1:], on))
        return
    if serials:
        yield Act(end, go_through())
    for serial in failing:
        yield from troubleshooting.plan_repair(plant, serial, rack, end)
        if not troubleshooting.is_left(plant, serial, rack):
            yield Act(end + timedelta(minutes=30), plan_retest(plant, key, serial))


def _changed_over(station: str, rack: int, tape: str) -> str:
    """The set-up that a rack is the first of, at a station whose step asks for a first piece; empty where it is not."""
    if tape:
        return f"{tape}-SETUP" if rack == TAPES[tape][0] else ""
    return f"{RADIAL}-{BOARD}" if station == RADIAL and rack == 0 else ""


def plan_retest(plant: Plant, station: str, serial: str) -> Callable[[datetime], object]:
    """The board goes through its test again, after troubleshooting."""
    return lambda at: plant.tell(
        record_test,
        results=[read(plant, serial, station, attempt=2)],
        passes=True,
        station=plant.stations[station],
        entered=at - timedelta(minutes=4),
        by=plant.operator(station, at),
        at=at,
    )


def _positions(plant: Plant, station: str, rack: int) -> tuple[list[tuple[int, int]] | None, str]:
    """Each board's board set on its tape, or count of the machine."""
    if station == INSERTER:
        tape, (start, _) = next((key, racks) for key, racks in TAPES.items() if racks[0] <= rack < racks[1])
        first = (rack - start) * plant.rack
        return [(first + n, first + n) for n in range(plant.rack)], tape
    if station == RADIAL:
        return [(n, n) for n in range(rack * plant.rack, (rack + 1) * plant.rack)], ""
    return None, ""
