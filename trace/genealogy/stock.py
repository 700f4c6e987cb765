"""Where suspect material itself is: containers in store and on feeds, board sets on tapes."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from trace.core.clock import OPEN
from trace.floor.models import Pass
from trace.genealogy.intervals import Ranges
from trace.genealogy.verdicts import Evidence
from trace.material.models import Axis, Container, Feed, FeedRecord, Span


@dataclass(frozen=True)
class StockItem:
    """A suspect container or tape in the plant: `where` in words, `quantity` at the start or None."""

    kind: str
    key: str
    part: str
    lot: str
    where: str
    quantity: Decimal | None
    wholly: bool


def list_stock(evidence: Evidence) -> list[StockItem]:
    """Every suspect container that has not left the plant, and every tape with suspect board sets
    that no unit has drawn."""
    containers = Container.objects.select_related("part", "lot").filter(pk__in=evidence.suspects)
    emptied = _emptied(evidence)
    on_feed = dict(
        Span.objects.filter(container__in=evidence.suspects, superseded=None, end=OPEN).values_list(
            "container", "feed__key"
        )
    )
    items = [
        StockItem(
            container.kind,
            container.key,
            container.part.key,
            container.lot.key,
            _where(container, on_feed.get(container.pk)),
            container.quantity,
            evidence.suspects[container.pk].whole_until == OPEN,
        )
        for container in containers
        if container.gone is None and container.pk not in emptied
    ]
    return items + _tapes(evidence, [f for f, verdict in evidence.verdicts.items() if verdict.possible])


def _emptied(evidence: Evidence) -> set[int]:
    """Containers that a feed used up: put on last by a load or a splice, ended there, not taken off."""
    put_on = (FeedRecord.Act.LOAD, FeedRecord.Act.SPLICE, FeedRecord.Act.FOUND)
    last: dict[int, str] = {}
    records = FeedRecord.objects.filter(container__in=evidence.suspects, superseded=None)
    for container, act in records.order_by("happened", "id").values_list("container", "act"):
        if container is not None and act != FeedRecord.Act.SIGHTING:
            last[container] = act
    still = set(Span.objects.filter(container__in=last, superseded=None, end=OPEN).values_list("container", flat=True))
    return {container for container, act in last.items() if act in put_on and container not in still}


def _where(container: Container, feed: str | None) -> str:
    if feed:
        return f"on feed {feed}"
    return f"in store {container.store}" if container.store else "in store"


def _tapes(evidence: Evidence, feeds: Collection[int]) -> list[StockItem]:
    tape_feeds = Feed.objects.select_related("axis__tape__assembly").filter(pk__in=feeds, axis__kind=Axis.Kind.TAPE)
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
        drawn = Pass.objects.filter(axis=axis, superseded=None).exclude(drew=Pass.Drew.NONE)
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
