"""The steps of a unit's route, and which of them are next. Pure."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Protocol, TypeVar


@dataclass(frozen=True)
class RouteStep:
    """A step on a unit's route and where it may be done; `free_order`, `alternative`, `verification`, `first_piece` and
    `attempts` as at `Step`, the qualification (by its id), the kind of equipment and the program (by its key) that it
    needs, if any; how much is `measured` (or judged) of a unit there, and whether only of one in so many (`sampled`);
    whether rules choose `samples` among the units that pass it."""

    pk: int
    number: int
    name: str
    stations: tuple[str, ...]
    free_order: str = ""
    alternative: str = ""
    qualification: int | None = None
    equipment: str = ""
    program: str = ""
    verification: str = ""
    first_piece: bool = False
    attempts: int | None = None
    measured: int = 0
    sampled: bool = False
    samples: bool = False

    @property
    def must_be_read(self) -> int:
        """Of how many characteristics every unit needs a reading."""
        return 0 if self.sampled else self.measured


class OnRoute(Protocol):
    """A step, as far as its turn goes."""

    @property
    def pk(self) -> Any: ...
    @property
    def free_order(self) -> str: ...
    @property
    def alternative(self) -> str: ...


S = TypeVar("S", bound=OnRoute)


def list_turns(route: Iterable[S]) -> Iterator[list[S]]:
    """A route in its order: each step alone, those that go in any order and alternatives together."""
    for _, group in groupby(route, lambda step: (step.free_order, step.alternative) if _joined(step) else step.pk):
        yield list(group)


def list_due(route: Iterable[S], passed: Container[int]) -> list[S]:
    """The steps of which one is next, on a route in its order: usually one. Those that go in any order are all due
    that are left of them; alternatives are all due until one is passed."""
    for steps in list_turns(route):
        left = [step for step in steps if step.pk not in passed]
        if left and not (steps[0].alternative and len(left) < len(steps)):
            return left
    return []


def _joined(step: OnRoute) -> bool:
    return bool(step.free_order or step.alternative)
