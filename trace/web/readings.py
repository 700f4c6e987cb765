"""What was measured and judged of a unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from trace.core.clock import from_ticks
from trace.engineering.fitness import StateThen, list_states_then
from trace.floor.models import Reading
from trace.floor.readings import list_readings, say_asked
from trace.web.cells import Mark, Moment, Ref, Several, text_of
from trace.web.corrections import wrong_column
from trace.web.moments import Asof
from trace.web.tables import Column, Table


def readings_table(units: Sequence[str], asof: Asof) -> Table:
    """Every reading of a unit, and of all within it, up to a moment; those of earlier visits too, the latest first."""
    readings = list_readings(units).filter(happened__lte=asof.ticks)
    used = readings.filter(equipment__isnull=False).order_by().values_list("equipment", "happened").distinct()
    states = list_states_then({(pk, from_ticks(happened)) for pk, happened in used})
    return Table(
        "readings",
        "What was measured",
        [
            Column("when", "When", lambda one: Moment(one.happened), "happened"),
            *([Column("of", "Of", lambda one: Ref("unit", one.unit.key), "unit__key", choose=True)] * (len(units) > 1)),
            Column("step", "Step", lambda one: one.step.number, "step__number", number=True),
            Column("name", "Characteristic", lambda one: one.characteristic.name, "characteristic__name", choose=True),
            Column("read", "Read", _read, "value"),
            Column("must", "Must be", lambda one: say_asked(one.characteristic)),
            Column("result", "Result", lambda one: Mark(result_of(one))),
            Column("attempt", "Attempt", lambda one: one.attempt, "attempt", number=True),
            Column("station", "At", lambda one: Ref("station", one.station.key)),
            Column("equipment", "With", lambda one: _equipment(one, states)),
            Column("by", "By", _by),
            Column("value", "Value", lambda one: one.value, hidden=True),
            Column("lower", "Lower limit", lambda one: one.characteristic.lower, hidden=True),
            Column("target", "Target", lambda one: one.characteristic.target, hidden=True),
            Column("upper", "Upper limit", lambda one: one.characteristic.upper, hidden=True),
            Column("unit", "Unit of measure", lambda one: one.characteristic.unit_of_measure, hidden=True),
            wrong_column(),
        ],
        readings,
        "Nothing was measured of it yet.",
        search=("characteristic__name", "station__key", "equipment__key", "by__name"),
    )


def result_of(reading: Reading) -> str:
    """What came of a reading, in a word that has a shape."""
    return "good" if reading.good else "not good" if reading.value is None else "outside"


def _read(reading: Reading) -> str:
    return "judged" if reading.value is None else f"{text_of(reading.value)} {reading.characteristic.unit_of_measure}"


def _equipment(reading: Reading, states: Mapping[tuple[int, datetime], StateThen]) -> Several:
    """With what it was read, and the state that it was in."""
    found: list[Any] = [Ref("equipment", reading.equipment.key)] if reading.equipment else []
    if reading.program:
        found.append(f"with {reading.program.key}")
    if found or reading.unfit:
        found.append(Mark("not fit" if reading.unfit else "fit"))
    if reading.unfit:
        found.append(f"({reading.unfit})")
    if reading.equipment_id:
        found += _say_state(states[reading.equipment_id, from_ticks(reading.happened)])
    return Several(tuple(found), " ")


def _say_state(state: StateThen) -> Iterator[Any]:
    """In words, how equipment stood: its calibration, the pieces that it was checked with."""
    if one := state.calibration:
        yield f"calibrated {one.at:%Y-%m-%d}, good to {one.due}" if one.due else f"failed calibration {one.at:%Y-%m-%d}"
        if one.certificate:
            yield f"({one.certificate})"
    for check in state.checks:
        yield f"{check.piece.key} told {'right' if check.right else 'wrong'} at"
        yield Moment.of(check.at)


def _by(reading: Reading) -> Ref:
    who = reading.judge or reading.by
    return Ref("person", who.key, who.name)
