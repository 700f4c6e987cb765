"""Everything that goes wrong in a plant, by name."""

from trace.demo.simulator.disturbances import (
    away,
    baths,
    changes,
    clocks,
    counts,
    families,
    feeds,
    incoming,
    passes,
    repairs,
    stock,
    tapes,
)
from trace.demo.simulator.disturbances.table import KINDS, Kind

__all__ = [
    "KINDS",
    "Kind",
    "away",
    "baths",
    "changes",
    "clocks",
    "counts",
    "families",
    "feeds",
    "incoming",
    "passes",
    "repairs",
    "stock",
    "tapes",
]
