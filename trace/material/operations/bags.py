"""What using a container does to its clocks, and what they forbid. For use inside operations."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.models import Person
from trace.material.clocks import Clocks, find_clock, list_past_floor_life, mark_exposed
from trace.material.floor_life import HOUR, UNKNOWN, FloorClock
from trace.material.models import BagRecord, Container, Span


class FloorLifeOver(Refusal):
    """What is in a container lay open for too long."""

    code = "floor-life-over"
    action = "Bake it, as its dry pack and the site's procedure say, and record that; or fetch another container."


def check_floor_life(container: Container, at: datetime) -> None:
    """Refuse with FloorLifeOver what lay open for longer than its floor life; at exactly that it may be used."""
    clock = find_clock(container, to_ticks(at))
    if clock and clock.over:
        raise FloorLifeOver(f"{container.key} {describe_over(clock)}.", container=container.key)


def check_floor_life_on_feed(spans: Iterable[Span], at: datetime) -> None:
    """Refuse with FloorLifeOver what lay open for longer than its floor life, of what feeds may give."""
    for container, clock in list_past_floor_life(spans, to_ticks(at)):
        raise FloorLifeOver(f"{container.key} {describe_over(clock)}.", container=container.key)


def describe_over(clock: FloorClock) -> str:
    """In words, why it may not be used."""
    if clock.used == UNKNOWN:
        return "is to be baked before it is used: no record says that it was kept dry long enough"
    return f"lay open for {_hours(clock.used)} h, and its floor life is {_hours(clock.life)} h"


def _hours(ticks: int) -> str:
    return f"{-(-ticks * 10 // HOUR) / 10:g}"  # rounded up: what is over is never shown as within


def lay_open(containers: Iterable[Container], by: Person, at: datetime) -> None:
    """What is used was opened by then: where no record says so, that is recorded."""
    moment, sensitive = to_ticks(at), [one for one in containers if one.part.floor_life is not None]
    if not sensitive:
        return
    clocks = Clocks(sensitive)
    for container in sensitive:
        clock = clocks.find(container, moment)
        if clock and not clock.running:
            write_bag(container, BagRecord.Act.OPENED, by, moment)
    mark_exposed({container.pk: moment for container in sensitive})


def write_bag(container: Container, act: str, by: Person, at: int, **details: object) -> BagRecord:
    """One record more."""
    return BagRecord.objects.create(container=container, act=act, at=at, by=by, recorded=now_ticks(), **details)
