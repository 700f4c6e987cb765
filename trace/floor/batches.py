"""Lots without serials on their route: what a container's content has passed, what is due for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from trace.core.clock import OPEN
from trace.engineering.models import Characteristic
from trace.engineering.queries import list_steps
from trace.floor.evidence import step_on_route
from trace.floor.models import BatchPass
from trace.floor.route import RouteStep, list_due
from trace.material.models import Container, Derivation


class Route(NamedTuple):
    """The route of a container's part, the ids of the steps that all of its content has passed, and those of which one
    is next."""

    steps: list[RouteStep]
    passed: frozenset[int]
    due: list[RouteStep]


def read_route(container: Container, at: int = OPEN) -> Route:
    """Where a container's content is on its route at a moment."""
    asked = Counter(Characteristic.objects.filter(part=container.part_id).values_list("step_number", flat=True))
    steps = [
        step_on_route(step, (station.key for station in step.stations.all()), asked[step.number])
        for step in list_steps(container.part)
    ]
    passed = find_steps_passed(container, at) if steps else frozenset()
    return Route(steps, passed, list_due(steps, passed))


def find_steps_passed(container: Container, at: int = OPEN, poured: frozenset[int] = frozenset()) -> frozenset[int]:
    """The steps that everything in a container has passed at a moment (microseconds): its own, and those of what it was
    filled from, where that was of the same part. What is poured together has passed what all of it has. `poured`: what
    was looked at on the way here, for at one moment two may have been poured into each other."""
    own = BatchPass.objects.filter(container=container, passed=True, scanned_out__lte=at, superseded=None)
    events: list[tuple[int, int, int | Derivation]] = [
        (moment, 0, step) for moment, step in own.values_list("scanned_out", "step")
    ]
    filled = Derivation.objects.filter(result=container, at__lte=at, superseded=None).exclude(pk__in=poured)
    events += [(one.at, 1, one) for one in filled.select_related("source__part")]
    passed: frozenset[int] | None = frozenset() if container.own else None
    for _, _, event in sorted(events, key=lambda one: one[:2]):
        if isinstance(event, Derivation):
            source = event.source
            came = frozenset[int]()
            if source and source.part_id == container.part_id:
                came = find_steps_passed(source, event.at, poured | {event.pk})
            passed = came if passed is None else passed & came
        else:
            passed = (passed or frozenset()) | {event}
    return passed or frozenset()


def last_moment(container: Container, at: int) -> int:
    """The last moment up to which a container was surely not at a station for its next step: when it came, was filled,
    or had gone through one before."""
    moments: Iterable[int] = (
        *BatchPass.objects.filter(container=container, scanned_out__lte=at, superseded=None).values_list(
            "scanned_out", flat=True
        ),
        *Derivation.objects.filter(result=container, at__lte=at, superseded=None).values_list("at", flat=True),
    )
    return max(moments, default=min(container.received, at))
