"""Returns that were received in a period, counted, beside what was shipped in it. Reads only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from functools import cached_property

from django.db.models import Count, F, QuerySet

from trace.core.clock import to_ticks
from trace.engineering.models import FaultCode, Part
from trace.engineering.queries import get_calendar
from trace.floor.models import Customer, Packing, Return
from trace.quality.faults import NoSuchCount
from trace.quality.periods import CHOICES as PERIODS
from trace.quality.periods import Period, read_asked

LOOKED_AT = timedelta(days=89)
"""Without a period: so many days up to that of the last return, and that day."""

BY: Mapping[str, str] = {"customer": "customer", "product": "product", "complaint": "complaint"}
"""By what returns are counted, in words."""

CHOICES: Mapping[str, str] = {**PERIODS, "": "the ninety days up to the last return"}

_FIELDS = {"customer": "customer__key", "product": "unit__part__key", "complaint": "code__key"}
_SHIPPED = {"customer": "carton__consignments__shipment__customer__key", "product": "unit__part__key"}


@dataclass(frozen=True)
class CountedReturns:
    """So many returns of one kind, of so many units: what came back twice is two returns of one unit. `shipped` units
    left in the period (of the kind, where a unit that leaves has it); returned units per thousand of those."""

    key: str
    words: str
    returns: int
    units: int
    shipped: int

    @property
    def per_thousand(self) -> Fraction | None:
        return Fraction(1000 * self.units, self.shipped) if self.shipped else None


@dataclass(frozen=True)
class ReturnLog:
    """The returns that were received in a period."""

    by: str
    period: Period

    @property
    def _bounds(self) -> tuple[int, int]:
        return to_ticks(self.period.since), to_ticks(self.period.until)

    @cached_property
    def returns(self) -> QuerySet[Return]:
        """They, the latest first."""
        since, until = self._bounds
        found = Return.objects.filter(superseded=None, received__gte=since, received__lt=until)
        related = ("unit__part", "customer", "code", "disposition", "by")
        return found.select_related(*related).order_by("-received", "-pk")

    @cached_property
    def total(self) -> CountedReturns:
        """All of them."""
        units = self.returns.order_by().values("unit").distinct().count()
        return CountedReturns("", "all", self.returns.count(), units, self._count_shipped())

    @cached_property
    def counted(self) -> Sequence[CountedReturns]:
        """The kinds, the most frequent first."""
        field, names = _FIELDS[self.by], self._name()
        rows = self.returns.order_by().values(field).annotate(n=Count("pk"), of=Count("unit", distinct=True))
        found = sorted(rows, key=lambda row: (-row["n"], row[field] or ""))
        return [
            CountedReturns(
                row[field] or "",
                names.get(row[field], "no fault code"),
                row["n"],
                row["of"],
                self._count_shipped(row[field]) if self.by in _SHIPPED else self.total.shipped,
            )
            for row in found
        ]

    def _count_shipped(self, key: str | None = None) -> int:
        """How many units left in the period: of the kind that is asked for. A unit that left twice is one."""
        since, until = self._bounds
        gone = "carton__consignments__shipment__departed"
        left = Packing.objects.filter(
            **{f"{gone}__gte": since, f"{gone}__lt": until}, since__lte=F(gone), carton__consignments__until=None
        )
        left = left.exclude(until__lt=F(gone))
        if key:
            left = left.filter(**{_SHIPPED[self.by]: key})
        return left.values("unit").distinct().count()

    def _name(self) -> dict[str, str]:
        kind = {"customer": Customer, "product": Part, "complaint": FaultCode}[self.by]
        return dict(kind._default_manager.values_list("key", "name"))


def ask_returns(now: datetime, asked: Mapping[str, str]) -> ReturnLog:
    """The returns as asked: `by` one of BY, a `period` with `from` and `to` as lines have them. Refuses with BadPeriod,
    NoSuchCount."""
    by = asked.get("by") or "customer"
    if by not in BY:
        raise NoSuchCount(f"Returns are not counted by “{by[:40]}”.")
    latest = Return.objects.filter(superseded=None).order_by("-received").values_list("received", flat=True).first()
    return ReturnLog(by, read_asked(asked, latest, LOOKED_AT, get_calendar(), now))
