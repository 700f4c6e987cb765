"""Where suspect material itself is: containers in store and on feeds, board sets on tapes."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q, QuerySet

from trace.core.clock import OPEN
from trace.floor.models import Pass
from trace.genealogy.intervals import Ranges
from trace.genealogy.verdicts import Evidence
from trace.material.models import Container, Feed, FeedRecord, Span


@dataclass(frozen=True)
class StockItem:
    """A suspect container or tape in the plant: `where` in words, `quantity` at the start or
    None, `wholly` suspect or in part, the key of the `feed` that it is on."""

    kind: str
    key: str
    part: str
    lot: str
    where: str
    quantity: Decimal | None
    wholly: bool
    feed: str = ""


def list_stock(evidence: Evidence, at: int = OPEN) -> list[StockItem]:
    """Every suspect container that is in the plant at a moment (microseconds), and every tape with
    suspect board sets that no unit had drawn."""
    here = Q(gone=None) | Q(gone__gt=at)
    containers = Container.objects.select_related("part", "lot").filter(
        here, pk__in=evidence.suspects, received__lte=at
    )
    on_feed = dict(_on_feeds(evidence, at).values_list("container", "feed__key"))
    emptied = _emptied(evidence, at) - set(on_feed)
    items = [
        StockItem(
            container.kind,
            container.key,
            container.part.key,
            container.lot.key,
            _where(container, on_feed.get(container.pk)),
            container.quantity,
            evidence.suspects[container.pk].whole_until == OPEN,
            on_feed.get(container.pk, ""),
        )
        for container in containers
        if container.pk not in emptied
    ]
    return items + _tapes(evidence, at, [f for f, verdict in evidence.verdicts.items() if verdict.possible])


def where_is(container: Container, evidence: Evidence, at: int = OPEN) -> StockItem | str:
    """Where a suspect container is at a moment: an item of stock, or in words why it is none."""
    for item in list_stock(evidence, at):
        if item.key == container.key and item.kind == container.kind:
            return item
    if container.received > at:
        return "not in the plant yet"
    return "left the plant" if container.gone is not None and container.gone <= at else "used up"


def _on_feeds(evidence: Evidence, at: int) -> QuerySet[Span]:
    """Spans of suspect containers that were on their feeds at a moment."""
    return Span.objects.filter(
        Q(until__gt=at) | Q(end=OPEN, until=OPEN), container__in=evidence.suspects, superseded=None, since__lte=at
    )


def _emptied(evidence: Evidence, at: int) -> set[int]:
    """Containers that a feed used up: put on last by a load or a splice, and not taken off since."""
    put_on = (FeedRecord.Act.LOAD, FeedRecord.Act.SPLICE, FeedRecord.Act.FOUND)
    records = FeedRecord.objects.filter(container__in=evidence.suspects, superseded=None, happened__lte=at)
    last = dict(records.exclude(act=FeedRecord.Act.SIGHTING).order_by("happened", "id").values_list("container", "act"))
    return {container for container, act in last.items() if container and act in put_on}


def _where(container: Container, feed: str | None) -> str:
    if feed:
        return f"on feed {feed}"
    return f"in stock, {container.store}" if container.store else "in stock"


def _tapes(evidence: Evidence, at: int, feeds: Collection[int]) -> list[StockItem]:
    tape_feeds = Feed.objects.select_related("axis__tape__assembly").filter(
        pk__in=feeds, axis__tape__built_from__lte=at
    )
    suspect: dict[int, Ranges] = {}
    tapes = {}
    for feed in tape_feeds:
        tape = feed.axis.tape
        assert tape is not None
        tapes[feed.axis_id] = tape
        held = evidence.verdicts[feed.pk].possible & Ranges([(0, tape.board_sets)])
        suspect[feed.axis_id] = suspect.get(feed.axis_id, Ranges()) | held
    items = []
    for axis, ranges in suspect.items():
        drawn = Pass.objects.filter(axis=axis, superseded=None, began__lte=at).exclude(drew=Pass.Drew.NONE)
        left = ranges - Ranges((first, last + 1) for first, last in drawn.values_list("first", "last"))
        if left:
            sets = ", ".join(f"{first}–{end - 1}" if end - first > 1 else str(first) for first, end in left)
            count = sum(end - first for first, end in left)
            items.append(
                StockItem(
                    "tape",
                    tapes[axis].key,
                    tapes[axis].assembly.key,
                    "",
                    f"board sets {sets}, not yet inserted",
                    Decimal(count),
                    False,
                )
            )
    return items
