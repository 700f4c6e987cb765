"""What came in, and what supplies which place."""

from trace.material.models.feeds import Axis, AxisSlack, Feed, FeedRecord, SetUp, SetUpLine, Span, Tape
from trace.material.models.inspection import (
    Inspection,
    InspectionCount,
    InspectionReading,
    LotStatus,
    Manner,
    PlannedInspection,
    SamplingRuling,
)
from trace.material.models.stock import Container, Derivation, Lot, Source, Supplier

__all__ = [
    "Axis",
    "AxisSlack",
    "Container",
    "Derivation",
    "Feed",
    "FeedRecord",
    "Inspection",
    "InspectionCount",
    "InspectionReading",
    "Lot",
    "LotStatus",
    "Manner",
    "PlannedInspection",
    "SamplingRuling",
    "SetUp",
    "SetUpLine",
    "Source",
    "Span",
    "Supplier",
    "Tape",
]
