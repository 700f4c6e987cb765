"""Lines of lists that hold from a day on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from trace.engineering.models import Part, Station


@dataclass(frozen=True)
class DatedCost:
    """What a part costs from a day on."""

    part: Part
    since: date
    standard_cost: Decimal
    replace_minutes: Decimal = Decimal(0)


@dataclass(frozen=True)
class DatedRate:
    """What an hour at a station costs from a day on."""

    station: Station
    since: date
    rate_per_hour: Decimal
