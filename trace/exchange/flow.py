"""How a line stands, as data."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction
from typing import Any

from trace.core.clock import to_ticks
from trace.exchange.plant_time import PlantTime
from trace.quality.standing import AtStation, OfPart, Standing

SECOND = 1_000_000


def describe_line(standing: Standing) -> dict[str, Any]:
    """The answer with its sentence: times in seconds, shares between 0 and 1, None for what is not known."""
    line, period, time = standing.line, standing.period, PlantTime()
    return {
        "sentence": standing.sentence,
        "at": time.iso(to_ticks(standing.at)),
        "area": line.area,
        "product": line.product.key if line.product else "",
        "since": time.iso(to_ticks(period.since)),
        "until": time.iso(to_ticks(period.until)),
        "worked": _seconds(standing.worked),
        "available": _seconds(standing.available),
        "in_process": standing.in_process,
        "lead_time_expected": _seconds(standing.expected_lead),
        "lead_time_measured": _seconds(standing.measured_lead),
        "slowest": standing.slowest.station.key if standing.slowest else None,
        "products": [_of_part(one) for one in standing.parts],
        "stations": [_at_station(one) for one in standing.stations],
    }


def _of_part(one: OfPart) -> dict[str, Any]:
    return {
        "part": one.part.key,
        "to_build": one.to_build,
        "due": one.due,
        "done": one.done,
        "takt": _seconds(one.takt),
        "rolled_yield": _share(one.rolled),
        "steps_tried": one.tried,
        "steps": one.steps,
        "defects_per_million": _share(one.defects),
    }


def _at_station(one: AtStation) -> dict[str, Any]:
    return {
        "station": one.station.key,
        "inside": one.inside,
        "waiting": one.waiting,
        "longest_there": None if one.oldest is None else one.oldest / SECOND,
        "median_there": None if one.middle is None else one.middle / SECOND,
        "passed": one.passed,
        "not_passed": one.not_passed,
        "in_last_hour": one.lately,
        "per_hour": _share(one.pace),
        "cycle": _seconds(one.cycle),
        "takt": _seconds(one.takt),
        "first_pass_yield": _share(one.first_pass),
        "slowest": one.slowest,
    }


def _seconds(time: timedelta | None) -> float | None:
    return None if time is None else time.total_seconds()


def _share(number: Fraction | None) -> float | None:
    return None if number is None else float(number)
