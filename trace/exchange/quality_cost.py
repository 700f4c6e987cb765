"""The cost of quality of a period, as data."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from trace.core.clock import to_ticks
from trace.costing.quality_cost import QualityReport
from trace.exchange.plant_time import PlantTime


def describe_quality_cost(report: QualityReport) -> dict[str, Any]:
    """Money as text, to the last digit; percentages of the sales are None where these were not given."""
    cost, time = report.cost, PlantTime()
    return {
        "since": time.iso(to_ticks(report.period.since)),
        "until": time.iso(to_ticks(report.period.until)),
        "currency": cost.currency,
        "sales": _text(cost.sales),
        "total": _text(cost.total),
        "percent_of_sales": _text(cost.find_percent(cost.total)),
        "headings": [
            {
                "heading": heading.value,
                "amount": _text(amount),
                "percent_of_sales": _text(cost.find_percent(amount)),
                "percent_of_total": _text(cost.find_share(amount)),
            }
            for heading, amount in cost.by_heading.items()
        ],
        "lines": [
            {
                "heading": line.heading.value,
                "what": line.words,
                "amount": _text(line.amount),
                "count": line.line.count if line.line else None,
                "day": line.entered.day.isoformat() if line.entered else None,
            }
            for line in cost.lines
        ],
        "unpriced": list(cost.unpriced),
    }


def _text(number: Decimal | None) -> str | None:
    return None if number is None else f"{number:f}"
