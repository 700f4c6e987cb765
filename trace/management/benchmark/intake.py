"""What recording a pass costs, against one bare row and one bare event in the same framework and database."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import count

from django.db import transaction

from trace.core.clock import from_ticks, to_ticks
from trace.core.models import Person
from trace.engineering.models import Part, Site, Station
from trace.floor.models import Pass, Unit
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import record_passes
from trace.ledger.models import Event
from trace.management.benchmark.history import History
from trace.management.benchmark.measure import Timing, time_together

BATCH = 100
RUNS = 100
"""Of what takes a few milliseconds: the median of ten differs by a fifth from one time to the next."""


@dataclass
class Intake:
    """Boards that come after the history, one by one or a rack at a time."""

    history: History

    def __post_init__(self) -> None:
        self.by = Person.objects.get()
        self.station = Station.objects.get(key="PLACE")
        self.board = Part.objects.get(key="BOARD")
        self.site = Site.objects.get()
        self.turns = count(1)
        self.fresh = self._units()

    def measure(self, repeats: int) -> dict[str, Timing]:
        """Timings of one pass and of a rack of a hundred, each by the operation and bare."""
        return time_together(
            {
                "one": self._record(1),
                "one bare": self._bare(1),
                "rack": self._record(BATCH),
                "rack bare": self._bare(BATCH),
            },
            repeats,
        )

    def _units(self) -> Iterator[Unit]:
        """New boards, released outside what is timed as far as can be: in orders of many."""
        for number in count():
            serials = [f"NEW-{number}-{n:04}" for n in range(4_000)]
            at = from_ticks(self.history.line.moment(self.history.boards))
            order = release_order(
                key=f"WO-NEW-{number}", part=self.board, site=self.site, serials=serials, by=self.by, at=at
            )
            yield from order.units.select_related("part").order_by("pk")

    def _record(self, number: int) -> Callable[[], object]:
        def work() -> None:
            into = from_ticks(self.history.line.moment(self.history.boards + next(self.turns)))
            record_passes(
                units=[next(self.fresh) for _ in range(number)],
                station=self.station,
                entered=into,
                at=into + timedelta(seconds=24),
                by=self.by,
            )

        return work

    def _bare(self, number: int) -> Callable[[], object]:
        pattern = Pass.objects.filter(station=self.station).latest("pk")
        values = {f.attname: getattr(pattern, f.attname) for f in Pass._meta.concrete_fields if not f.primary_key}

        def work() -> None:
            moment = to_ticks(from_ticks(self.history.line.moment(self.history.boards + next(self.turns))))
            with transaction.atomic():
                Pass.objects.bulk_create(
                    Pass(**{**values, "unit_id": next(self.fresh).pk, "began": moment, "ended": moment + 24_000_000})
                    for _ in range(number)
                )
                Event.objects.create(
                    verb="bare", by=self.by, happened=from_ticks(moment), recorded=from_ticks(moment), payload="{}"
                )

        return work
