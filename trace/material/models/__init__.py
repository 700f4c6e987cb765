"""What came in, and what supplies which place."""

from trace.material.models.feeds import Axis, AxisSlack, Feed, FeedRecord, SetUp, SetUpLine, Span, Tape
from trace.material.models.stock import Container, Derivation, Lot, Source, Supplier
from trace.material.models.tapes import EmptyPlace, Mount, TapeReading, TapeStop

__all__ = [
    "Axis",
    "AxisSlack",
    "Container",
    "Derivation",
    "EmptyPlace",
    "Feed",
    "FeedRecord",
    "Lot",
    "Mount",
    "SetUp",
    "SetUpLine",
    "Source",
    "Span",
    "Supplier",
    "Tape",
    "TapeReading",
    "TapeStop",
]
