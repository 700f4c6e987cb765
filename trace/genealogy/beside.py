"""Spans of suspect containers, and what else their feeds may have given at the same positions."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from trace.genealogy.reading import fetch
from trace.material.models import Axis


class Beside(NamedTuple):
    """A span, with its feed (id and kind) and axis (kind, slack)."""

    feed: int
    feed_kind: str
    axis_kind: str
    slack: int
    container: int | None
    first: int
    end: int
    sure_from: int | None
    since: int
    until: int

    @property
    def on_clock(self) -> bool:
        return self.axis_kind == Axis.Kind.CLOCK


def list_beside(containers: Collection[int], feeds: Collection[int] = ()) -> list[Beside]:
    """The spans of these containers, and every span that shares a position with one of them on its feed; on
    `feeds`, also those of unknown material with all beside them. One query."""
    rows = fetch("beside", containers=sorted(containers), feeds=sorted(feeds))
    return [Beside(*row) for row in rows]
