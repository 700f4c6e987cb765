"""How many units of a work order owe a sample test, and from what height a package is dropped. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Protocol

from trace.material.sampling import LEVELS, Severity, find_letter, find_plan


class Choosing(Protocol):
    """A rule, as far as it chooses."""

    @property
    def chooses(self) -> str: ...
    @property
    def every(self) -> int | None: ...
    @property
    def level(self) -> str: ...
    @property
    def aql(self) -> Decimal | None: ...


def count_owed(rule: Choosing, passed: int, quantity: int) -> int:
    """How many of an order's units owe the test once so many of them have `passed`, of the `quantity` ordered.

    One in n: the first, and after each n units another. The first: one. By plan: the sample size for a lot of the
    order's size (normal inspection, single sampling), spread evenly over it; all of them where the order is smaller.
    """
    passed = min(passed, quantity)
    if rule.chooses == "plan":
        assert rule.aql is not None and rule.level in LEVELS
        size = min(find_plan(Severity.NORMAL, find_letter(quantity, rule.level), rule.aql).size, quantity)
        return -(-passed * size // quantity)
    return min(passed, 1) if rule.every is None else -(-passed // rule.every)


HEIGHTS: Sequence[tuple[int, int]] = ((10, 760), (19, 610), (28, 460), (45, 310))
"""ISTA Procedure 1A, free-fall drop: a package below this mass in kg is dropped from so many mm."""

HEAVIEST, LOWEST = Decimal(68), 200
"""The heaviest package that it is for, and the height of those too heavy for the table above."""

DROPS: Sequence[str] = (
    "the corner 2-3-5",
    "the shortest edge from that corner",
    "the next longer edge from that corner",
    "the longest edge from that corner",
    "a smallest face",
    "the opposite smallest face",
    "a medium face",
    "the opposite medium face",
    "a largest face",
    "the opposite largest face",
)
"""ISTA Procedure 1A: on what the package falls, drop by drop."""


def find_height(mass: Decimal) -> int:
    """From how many mm a package of so many kg is dropped. ValueError where it weighs nothing, or more than 68 kg."""
    if not 0 < mass <= HEAVIEST:
        raise ValueError(f"{mass} kg is no mass for which the procedure has a height")
    return next((height for below, height in HEIGHTS if mass < below), LOWEST)
