"""Scans that came late, from a device that kept them while the server was away, and were refused."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import KeyField, Person, TickField
from trace.engineering.models import Station
from trace.floor.models.units import Unit


class RefusedScan(models.Model):
    """A scan that was made at `happened`, came in at `recorded`, and was refused: the work may have been done all the
    same. Somebody looks what became of the unit, and settles it."""

    key = KeyField()
    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+", help_text="who scanned it")
    happened = TickField()
    recorded = TickField()
    scanned = models.CharField(max_length=200, help_text="what was scanned, in words")
    told = models.CharField(max_length=1000, blank=True, help_text="what was sent, as it came")
    code = models.CharField(max_length=40, help_text="of the refusal")
    sentence = models.CharField(max_length=1000, help_text="what was wrong")
    action = models.CharField(max_length=300, blank=True, help_text="what to do next")
    settled = TickField(null=True, blank=True)
    settled_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=300, blank=True, help_text="what became of it")
    ended = TickField(null=True, blank=True, help_text="when that was recorded")

    class Meta:
        ordering = ["happened", "id"]
        indexes = [models.Index(fields=["station"], condition=Q(settled=None), name="refused_scans_open")]
        constraints = [
            models.CheckConstraint(
                condition=Q(settled=None, settled_by=None, ended=None, reason="")
                | Q(settled__isnull=False, settled_by__isnull=False, ended__isnull=False) & ~Q(reason=""),
                name="refused_scan_settled_with_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(settled=None) | Q(settled__gte=F("happened")), name="refused_scan_settled_afterwards"
            ),
        ]

    def __str__(self) -> str:
        return self.key
