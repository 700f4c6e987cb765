"""What each board has of each feed, for those that keep an edge or a row for it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from trace.management.benchmark.history import History


class Run(NamedTuple):
    """Boards `first..last` (unit ids) may each have parts of this container from this feed, and of
    `candidates` containers in all."""

    feed: int
    first: int
    last: int
    container: int
    candidates: int


def list_runs(history: History) -> Iterator[Run]:
    """Every run, feed by feed. What nobody recorded, before the first load, met no board."""
    for plan in history.line.feeds:
        for first, last, boxes in history.supply.runs(plan):
            for box in boxes:
                yield Run(plan.id, first + 1, last + 1, box, len(boxes))


def list_displaced(history: History) -> set[tuple[int, int]]:
    """(feed, unit id) where the only part that the board had of the feed was replaced."""
    return {(plan.id, i + 1) for i, (plan, _) in history.repairs.items() if len(plan.designators) == 1}


def list_repairs(history: History) -> Iterator[tuple[int, int]]:
    """(container, unit id) of every part fitted at repair."""
    for i, (plan, _) in history.repairs.items():
        yield history.bag_for(plan, i), i + 1


def list_homes(history: History) -> Iterator[tuple[int, int]]:
    """(child id, parent id) of every unit that is fitted in another."""
    for p in range(history.products):
        for n in range(5):
            yield p * 5 + n + 1, history.product_id(p)
        chain = [history.product_id(p), *history.above(p)]
        yield from zip(chain, chain[1:], strict=False)
