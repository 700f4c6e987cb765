"""Spans of suspect containers, and what else their feeds may have given at the same positions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from typing import NamedTuple

from trace.genealogy.reading import fetch
from trace.genealogy.rules import Supply
from trace.material.models import Axis


class FeedAt(NamedTuple):
    """A feed with its kind, and its axis: the kind, and by how much a position may differ from its moment
    (microseconds)."""

    feed: int
    kind: str
    axis_kind: str
    slack: int

    @property
    def on_clock(self) -> bool:
        return self.axis_kind == Axis.Kind.CLOCK


def list_beside(containers: Collection[int], feeds: Collection[int] = ()) -> dict[FeedAt, list[Supply]]:
    """Per feed, the spans of these containers, and every span that shares a position with one of them; on `feeds`,
    also those of unknown material with all beside them. One query."""
    found: dict[FeedAt, list[Supply]] = defaultdict(list)
    for feed, kind, axis_kind, slack, *span in fetch("beside", containers=sorted(containers), feeds=sorted(feeds)):
        found[FeedAt(feed, kind, axis_kind, slack)].append(Supply(*span))
    return found
