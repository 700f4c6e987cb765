"""What came in, and what supplies which place."""

from trace.material.models.baths import BathLimit, BathReading
from trace.material.models.counts import Call, Count, ScrappedParts
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
from trace.material.models.receipts import Delivery, Expected, Receipt
from trace.material.models.stock import BagRecord, Container, Derivation, Lot, Source, Supplier
from trace.material.models.tapes import EmptyPlace, Mount, TapeReading, TapeStop

__all__ = [
    "Axis",
    "AxisSlack",
    "BagRecord",
    "BathLimit",
    "BathReading",
    "Call",
    "Container",
    "Count",
    "Delivery",
    "Derivation",
    "EmptyPlace",
    "Expected",
    "Feed",
    "FeedRecord",
    "Inspection",
    "InspectionCount",
    "InspectionReading",
    "Lot",
    "LotStatus",
    "Manner",
    "Mount",
    "PlannedInspection",
    "Receipt",
    "SamplingRuling",
    "ScrappedParts",
    "SetUp",
    "SetUpLine",
    "Source",
    "Span",
    "Supplier",
    "Tape",
    "TapeReading",
    "TapeStop",
]
