"""What somebody must count: where more was used than there was, and places that nobody counts nor clears."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q

from trace.core.clock import OPEN
from trace.floor.away import HANGS
from trace.floor.left import find_all_left
from trace.material.facts import STAYS, Left
from trace.material.models import Container, Count, FeedRecord, Span


def list_overdrawn() -> list[tuple[Container, Left]]:
    """Containers that gave more than they held by what was counted, until they are counted again: those that hang on
    a feed, or were on one since the last count."""
    records = FeedRecord.objects.filter(container=OuterRef("pk"), act__in=STAYS, feed__kind__in=HANGS, superseded=None)
    hanging = Exists(Span.objects.filter(container=OuterRef("pk"), end=OPEN, superseded=None))
    counts = Count.objects.filter(container=OuterRef("pk"), superseded=None)
    used = Container.objects.filter(Exists(records) | hanging, gone=None).filter(
        Q(quantity__isnull=False) | Exists(counts)
    )
    containers = list(used.select_related("part", "lot").order_by("key"))
    left = find_all_left(containers)
    return [(one, found) for one in containers if (found := left[one.pk]) is not None and found.overdrawn]
