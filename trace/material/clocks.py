"""The clocks of containers: floor life, reckoned from all records of them and of what they were filled from.

A split inherits the clock of its source, a merge the worst; only a batch of another part begins anew. What is poured
into a feed lies open there, whatever becomes of the bag that it came from. Where no record says how long something lay
open, it counts as too long.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from trace.core.clock import OPEN
from trace.engineering.moisture import BAKED_FIRST, STOPS
from trace.material.floor_life import HOUR, UNKNOWN, Deed, FloorClock, reckon_exposure
from trace.material.models import BagRecord, Container, Derivation, Span


class Clocks:
    """The clocks of some containers, whose history is read once: a few queries for each generation of them."""

    def __init__(self, containers: Iterable[Container]) -> None:
        """Each with its part."""
        self._containers: dict[int, Container] = {}
        self._fillings: dict[int, list[Derivation]] = defaultdict(list)
        self._brought: dict[int, int] = {}
        layer = {one.pk: one for one in containers if one.part.floor_life is not None}
        while layer:
            self._containers |= layer
            rows = Derivation.objects.filter(result__in=layer, superseded=None).select_related("source__part", "record")
            layer = {}
            for row in rows:
                self._fillings[row.result_id].append(row)
                if row.source and row.source.pk not in self._containers:
                    layer[row.source.pk] = row.source
        self._done = self._read_bags()
        self._hung = self._read_hung()
        rows_in_order = (row for rows in self._fillings.values() for row in rows)
        for row in sorted(rows_in_order, key=lambda row: (row.at, row.pk)):
            self._brought[row.pk] = self._reckon_brought(row)

    def _read_bags(self) -> dict[int, list[Deed]]:
        done: dict[int, list[Deed]] = defaultdict(list)
        if self._containers:
            for bag in BagRecord.objects.filter(container__in=self._containers, superseded=None):
                level = self._containers[bag.container_id].part.moisture_level
                if bag.act != BagRecord.Act.SEALED or level in STOPS[bag.storage]:
                    done[bag.container_id].append(Deed(bag.at, bag.act, recorded=bag.recorded))
        return done

    def _read_hung(self) -> Mapping[tuple[int, int], list[tuple[int, int]]]:
        """{(feed, container): (from when until when it was there)} for the remainders among the fillings."""
        hung: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
        feeds = {row.record.feed_id for rows in self._fillings.values() for row in rows if row.record}
        if feeds:
            spans = Span.objects.filter(feed__in=feeds, container__in=self._containers, superseded=None)
            for feed, container, since, until in spans.values_list("feed", "container", "since", "until"):
                hung[feed, container or 0].append((since, until))
        return hung

    def find(self, container: Container, at: int) -> FloorClock | None:
        """The clock of a container's content at a moment; None where it has none."""
        if container.pk not in self._containers:
            return None
        found = reckon_exposure(self._deeds(container.pk), at, self._at_first(container))
        return FloorClock(at, (container.part.floor_life or 0) * HOUR, found.used, found.running)

    def find_on_feed(self, container: Container, since: int, at: int) -> FloorClock | None:
        """The clock of what hangs or lies on a feed since a moment: of that, or of the rest of the bag, the worse."""
        now, then = self.find(container, at), self.find(container, min(since, at))
        if now is None or then is None:
            return None
        used = max(now.used, min(UNKNOWN, then.used + max(0, at - since)))
        return FloorClock(at, now.life, used, True)

    def _at_first(self, container: Container) -> int:
        known = container.own and container.part.moisture_level != BAKED_FIRST or self._fillings[container.pk]
        return 0 if known else UNKNOWN

    def _deeds(self, pk: int) -> list[Deed]:
        """What was not reckoned yet came later; at the same moment, poured to and fro, it brings nothing of its own."""
        fillings = (Deed(row.at, "filled", self._brought.get(row.pk, 0), row.recorded) for row in self._fillings[pk])
        return [*self._done[pk], *fillings]

    def _reckon_brought(self, row: Derivation) -> int:
        """How long what was filled in had lain open."""
        if row.source is None:
            return UNKNOWN
        if row.source_id not in self._containers:
            return 0
        if row.deed == Derivation.Deed.BATCH and row.source.part_id != self._containers[row.result_id].part_id:
            return 0  # another material
        hung = self._hung.get((row.record.feed_id, row.source.pk), []) if row.record else []
        since = min((since for since, until in hung if since <= row.at <= until), default=row.at)
        clock = self.find_on_feed(row.source, since, row.at)
        return clock.used if clock else 0


def find_clock(container: Container, at: int) -> FloorClock | None:
    """The clock of one container; None where its part has no floor life."""
    return Clocks([container]).find(container, at) if container.part.floor_life is not None else None


def list_past_floor_life(spans: Iterable[Span], at: int) -> list[tuple[Container, FloorClock]]:
    """Of what feeds may give, what lies there past its floor life; each span with its container and that one's part."""
    known = [(span.container, span.since) for span in spans if span.container]
    clocks = Clocks(container for container, _ in known)
    found = ((container, clocks.find_on_feed(container, since, at)) for container, since in known)
    return [(container, clock) for container, clock in found if clock and clock.over]


def mark_exposed(moments: Mapping[int, int]) -> None:
    """Keep `exposed` of containers ({id: a moment at which it lay open}), and of all that was filled from them, no
    later than their clocks can have begun. It is only ever made earlier: a sign too many costs a look."""
    while moments:
        containers = Container.objects.select_related("part").filter(pk__in=moments, part__floor_life__isnull=False)
        clocks, lowered = Clocks(containers), []
        for container in containers:
            clock = clocks.find(container, moments[container.pk])
            since = max(0, clock.at - clock.used) if clock else OPEN
            if since < (OPEN if container.exposed is None else container.exposed):
                container.exposed = since
                container.save(update_fields=["exposed"])
                lowered.append(container)
        rows = Derivation.objects.filter(source__in=lowered, superseded=None) if lowered else ()
        moments = {row.result_id: row.at for row in rows}
