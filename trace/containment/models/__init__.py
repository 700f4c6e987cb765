"""Alarms: what is suspect, what was found, stopped and decided, and what each way out would cost."""

from trace.containment.models.alarm import Containment, Join, Kind, Term
from trace.containment.models.progress import (
    CleanPoint,
    Clearing,
    ContainmentRate,
    Notice,
    Outcome,
    Reconciliation,
)
from trace.containment.models.report import Heading, Remark, Watch
from trace.containment.models.snapshot import Snapshot, SnapshotStock, SnapshotUnit

__all__ = [
    "CleanPoint",
    "Clearing",
    "Containment",
    "ContainmentRate",
    "Heading",
    "Join",
    "Kind",
    "Notice",
    "Outcome",
    "Reconciliation",
    "Remark",
    "Snapshot",
    "SnapshotStock",
    "SnapshotUnit",
    "Term",
    "Watch",
]
