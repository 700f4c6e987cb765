"""Units that came back from customers."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import KeyField, Person, TickField
from trace.engineering.models import FaultCode
from trace.floor.models.dispatch import Customer, Shipment
from trace.floor.models.units import Unit
from trace.holds.models import Disposition, Hold


class Return(models.Model):
    """A unit came back, from `received` until `closed`: who sent it, on what shipment it had left, what they complain
    of. `hold` stops it meanwhile but for what its disposition permits; `disposition` is by which it was closed."""

    key = KeyField()
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="returns")
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="returns")
    shipment = models.ForeignKey(Shipment, models.PROTECT, related_name="+")
    reference = models.CharField(max_length=60, blank=True, help_text="the customer's own number for it")
    complaint = models.CharField(max_length=300)
    code = models.ForeignKey(FaultCode, models.PROTECT, null=True, related_name="+", help_text="if it is a known fault")
    condition = models.CharField(max_length=300, blank=True, help_text="in which it came")
    hold = models.ForeignKey(Hold, models.PROTECT, related_name="+")
    received = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    closed = TickField(null=True, blank=True)
    closed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    disposition = models.ForeignKey(Disposition, models.PROTECT, null=True, blank=True, related_name="+")
    outcome = models.CharField(max_length=300, blank=True, help_text="what came of it, in words")
    close_recorded = TickField(null=True, blank=True)
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        indexes = [models.Index(fields=["received"], condition=Q(superseded=None), name="returns_by_time")]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(closed=None, superseded=None), name="unit_in_one_open_return"
            ),
            models.CheckConstraint(condition=~Q(complaint=""), name="return_has_a_complaint"),
            models.CheckConstraint(condition=Q(closed=None) | Q(closed__gte=F("received")), name="return_runs_forward"),
            models.CheckConstraint(
                condition=Q(closed=None, closed_by=None, disposition=None, close_recorded=None)
                | Q(
                    closed__isnull=False,
                    closed_by__isnull=False,
                    disposition__isnull=False,
                    close_recorded__isnull=False,
                ),
                name="return_closed_by_a_disposition",
            ),
        ]

    def __str__(self) -> str:
        return self.key
