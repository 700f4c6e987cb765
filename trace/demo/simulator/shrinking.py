"""A plant with a fault made small: fewer deeds that still show it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

T = TypeVar("T")


def shrink(things: Sequence[T], fails: Callable[[Sequence[T]], bool], most: int = 200) -> list[T]:
    """Leave out runs of things, long ones first, as long as the rest still fails; at most so many tries."""
    kept = list(things)
    length, tries = len(kept) // 2, 0
    while length:
        start, smaller = 0, False
        while start < len(kept) and tries < most:
            rest = kept[:start] + kept[start + length :]
            tries += 1
            if fails(rest):
                kept, smaller = rest, True
            else:
                start += length
        if tries >= most:
            break
        length = length if smaller and length == 1 else length // 2
    return kept
