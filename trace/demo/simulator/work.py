"""Units in an ordinary shift: through their stations, each with the scans that its kind of station makes."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from trace.core.clock import from_ticks
from trace.core.errors import Refusal
from trace.demo.simulator.layout import ROUTES
from trace.demo.simulator.physics import SimUnit
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import charge, load
from trace.demo.simulator.tapes import mounted_tape
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.material.models import SetUp

Between = Callable[[], None]


def release(plant: SimPlant, kind: str, number: int) -> list[SimUnit]:
    """An order for some units."""
    serials = [plant.new_key(kind[0]) for _ in range(number)]
    order = plant.tell(
        release_order,
        key=plant.new_key(f"WO-{kind}"),
        part=plant.layout.parts[kind],
        site=plant.layout.site,
        serials=serials,
    )
    plant.records |= {unit.key: unit for unit in order.units.select_related("part")}
    units = [SimUnit(serial, kind) for serial in serials]
    plant.units |= {unit.key: unit for unit in units}
    return units


def due(unit: SimUnit) -> int:
    """The next step of its route, or Skip."""
    step = next((step for step in ROUTES[unit.kind] if step > unit.step), None)
    if step is None:
        raise Skip
    return step


def finished(unit: SimUnit) -> bool:
    return unit.step == max(ROUTES[unit.kind])


def free(plant: SimPlant, kind: str = "") -> list[SimUnit]:
    """Units that stand about: neither inside anything nor gone."""
    return [
        unit
        for unit in plant.units.values()
        if unit.kind.startswith(kind) and not (unit.inside or unit.gone or unit.parent)
    ]


def waiting(plant: SimPlant, kind: str = "", *stations: str) -> list[SimUnit]:
    """Free units with a step left, at one of these stations."""
    return [
        unit
        for unit in free(plant, kind)
        if not finished(unit) and (not stations or set(stations) & set(ROUTES[unit.kind][due(unit)]))
    ]


def board_for(plant: SimPlant, chance: random.Random, station: str) -> SimUnit:
    """A board that is due at a station, from a new order if need be."""
    there = waiting(plant, "BOARD", station)
    if there and chance.random() < 0.7:
        return plant.pick(chance, there)
    return release(plant, "BOARD", 1)[0]


def draw(plant: SimPlant, chance: random.Random, unit: SimUnit, designator: str, feed: str) -> None:
    """A piece goes from a place into a unit; a place that has run out is loaded first, in the middle of the board."""
    if feed == "WAVE-S":
        unit.places[designator] = list(plant.bath.shares)
        unit.kinds |= plant.bath.kinds
        return
    place = plant.places[feed]
    piece = place.draw()
    if piece is None:
        load(plant, chance, feed, inside=True)
        plant.wait(chance, 1, 5)
        piece = place.draw()
        assert piece
    unit.places[designator] = [piece]
    place.given.append((plant.now, unit))
    plant.say(f"{unit.key} {designator}: a piece of {piece.lot} out of {piece.labels[-1]}, from {feed}")


def settle(plant: SimPlant, chance: random.Random, unit: SimUnit) -> None:
    """What a unit still has to draw at a loose station is drawn before it goes anywhere else."""
    while unit.todo:
        designator, feed = unit.todo.pop()
        draw(plant, chance, unit, designator, feed)
        plant.wait(chance, 2, 20)


def visit(
    plant: SimPlant,
    chance: random.Random,
    unit: SimUnit,
    station: str = "",
    *,
    between: Between | None = None,
    leave_out: Iterable[str] = (),
    **said: Any,
) -> str:
    """A unit through the station at which it is due. `between` happens after its first draw; `leave_out` are
    designators that it does not draw; `said` goes into the record."""
    station = station or plant.pick(chance, ROUTES[unit.kind][due(unit)])
    settle(plant, chance, unit)
    draws = [(d, feed) for d, feed in plant.served(station).items() if d not in set(leave_out)]
    chance.shuffle(draws)
    how = _loose if station in ("LOOSE", "FINAL") else _one if station == "ONE" else _gated
    how(plant, chance, unit, station, draws, between, said)
    unit.seen_at = station
    return station


def tell_passed(plant: SimPlant, station: str, units: Sequence[SimUnit], **said: Any) -> None:
    """The scan after the work. Who is stopped then has not passed. Where the scan is refused, what was drawn is in the
    units and on no record: hidden."""
    try:
        entries = plant.tell(
            record_passes, units=[plant.unit(u) for u in units], station=plant.layout.stations[station], **said
        )
    except Refusal:
        cause = plant.hide("scan refused")
        for unit in units:
            for designator in plant.served(station):
                for piece in unit.places.get(designator, []):
                    piece.causes.append(cause)
        raise
    for unit, entry in zip(units, entries, strict=True):
        pass_step(unit, {"outcome": entry.outcome})
        unit.seen_at = station


def pass_step(unit: SimUnit, said: dict[str, Any]) -> None:
    if said.get("outcome", "passed") == "passed":
        unit.step = due(unit)


def _draws(
    plant: SimPlant,
    chance: random.Random,
    unit: SimUnit,
    draws: list[tuple[str, str]],
    between: Between | None,
) -> None:
    for number, (designator, feed) in enumerate(draws):
        draw(plant, chance, unit, designator, feed)
        plant.wait(chance, 2, 20)
        if between and number == 0:
            between()
            plant.wait(chance, 2, 20)


def _gated(
    plant: SimPlant,
    chance: random.Random,
    unit: SimUnit,
    station: str,
    draws: list[tuple[str, str]],
    between: Between | None,
    said: dict[str, Any],
) -> None:
    """Scanned in, worked on, scanned out; by the machine's count or the board set where those are the axis."""
    position = setup = None
    if station == "COUNT":
        plant.cycle += 1
        position = (plant.cycle, plant.cycle)
    elif station == "TAPER":
        chain = mounted_tape(plant, chance)
        position, setup = (
            (chain.counted, chain.counted),
            SetUp.objects.select_related("axis__tape").get(key=f"{chain.key}-SETUP"),
        )
    elif station == "WAVE" and not plant.bath.shares:
        charge(plant, chance)
        plant.wait(chance)
    plant.tell(
        start_pass, unit=plant.unit(unit), station=plant.layout.stations[station], position=position, setup=setup
    )
    unit.inside = station
    plant.wait(chance, 2, 20)
    if station == "TAPER":
        take_board_set(plant, unit)
    _draws(plant, chance, unit, draws, between)
    plant.tell(finish_pass, unit=plant.unit(unit), **said)
    unit.inside = None
    pass_step(unit, said)


def take_board_set(plant: SimPlant, unit: SimUnit) -> None:
    """A board's components come off the tape."""
    chain = plant.mounted
    assert chain
    for designator in chain.links:
        cell = chain.next_set, designator
        if cell in chain.lacking:
            unit.places[designator] = []
            unit.causes.setdefault(designator, []).append(chain.lacking[cell])
            plant.say(f"untold: {unit.key} {designator} stays empty, set {chain.next_set}")
            continue
        piece = chain.cells.pop(cell)
        unit.places[designator] = [piece]
        if chain.slip and chain.cause:
            piece.causes.append(chain.cause)
            piece.kinds.add("board set slipped")
        plant.say(f"{unit.key} {designator}: a piece of {piece.lot} out of {piece.labels[-1]}, set {chain.next_set}")
    chain.next_set += 1


def _one(
    plant: SimPlant,
    chance: random.Random,
    unit: SimUnit,
    station: str,
    draws: list[tuple[str, str]],
    between: Between | None,
    said: dict[str, Any],
) -> None:
    """One unit at a time: both scans, or only the first (the next unit's scan ends it), or only the last."""
    record, place = plant.unit(unit), plant.layout.stations[station]
    how = chance.choice(["both", "in", "out"]) if not said else "both"
    if how == "out":
        let_out(plant, station)
        _draws(plant, chance, unit, draws, between)
        tell_passed(plant, station, [unit])
        return
    plant.tell(start_pass, unit=record, station=place)
    let_out(plant, station)
    unit.inside = station
    plant.wait(chance, 2, 20)
    _draws(plant, chance, unit, draws, between)
    if how == "both":
        plant.tell(finish_pass, unit=record, **said)
        unit.inside = None
        pass_step(unit, said)


def let_out(plant: SimPlant, station: str) -> None:
    """Whoever was at a one-at-a-time station has gone when the next one comes."""
    for other in plant.units.values():
        if other.inside == station:
            other.inside = None
            pass_step(other, {})


def _loose(
    plant: SimPlant,
    chance: random.Random,
    unit: SimUnit,
    station: str,
    draws: list[tuple[str, str]],
    between: Between | None,
    said: dict[str, Any],
) -> None:
    """Some is drawn before the scan and some after, or long after: only the next scan elsewhere ends it."""
    cut = chance.randint(0, len(draws))
    _draws(plant, chance, unit, draws[:cut], between if cut else None)
    entered = from_ticks(plant.now)
    plant.wait(chance, 2, 20)
    both: dict[str, Any] = {"entered": entered} if chance.random() < 0.3 else {}
    tell_passed(plant, station, [unit], **both, **said)
    unit.todo = draws[cut:]
    plant.wait(chance, 2, 20)
    if between and not cut:
        between()
    if chance.random() < 0.5:
        settle(plant, chance, unit)


def work(plant: SimPlant, chance: random.Random) -> None:
    """One more draw of a unit that still lies at a loose station."""
    unit = plant.pick(chance, [unit for unit in plant.units.values() if unit.todo and not unit.gone])
    designator, feed = unit.todo.pop()
    draw(plant, chance, unit, designator, feed)


def carry_on(plant: SimPlant, chance: random.Random) -> None:
    """Some unit goes through its next station; there are always some boards to work on."""
    units = waiting(plant)
    if sum(unit.kind == "BOARD" for unit in units) < 3:
        units = release(plant, "BOARD", 2)
    visit(plant, chance, plant.pick(chance, units))
