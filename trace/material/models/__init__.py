"""What came in, and what supplies which place."""

from trace.material.models.feeds import Axis, AxisSlack, Feed, FeedRecord, SetUp, SetUpLine, Span, Tape
from trace.material.models.stock import BagRecord, Container, Derivation, Lot, Source, Supplier

__all__ = [
    "Axis",
    "AxisSlack",
    "BagRecord",
    "Container",
    "Derivation",
    "Feed",
    "FeedRecord",
    "Lot",
    "SetUp",
    "SetUpLine",
    "Source",
    "Span",
    "Supplier",
    "Tape",
]
