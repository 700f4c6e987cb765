"""The plant: its site and its stations."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import KeyField


class Site(models.Model):
    """The plant this database belongs to: there is one."""

    key = KeyField()
    name = models.CharField(max_length=120)
    zone = models.CharField(max_length=40, default="UTC", help_text="IANA time zone of the plant")
    currency = models.CharField(max_length=3, default="EUR", help_text="ISO 4217 code")

    def __str__(self) -> str:
        return self.name


class ScanMode(models.TextChoices):
    """What a station's scans prove about when a unit drew parts there."""

    GATED = "gated", "gated: nothing can be drawn outside scan-in to scan-out"
    ONE_AT_A_TIME = "one at a time", "one at a time: the unit was alone from scan to scan"
    LOOSE = "loose", "loose: a scan proves only that the unit was here"


class Station(models.Model):
    """A place where an operation is done."""

    key = KeyField()
    name = models.CharField(max_length=120)
    site = models.ForeignKey(Site, models.PROTECT, related_name="stations")
    area = models.CharField(max_length=60, blank=True)
    scan_mode = models.CharField(max_length=20, choices=ScanMode, default=ScanMode.GATED)
    counts_cycles = models.BooleanField(
        default=False, help_text="feeds go by the machine's cycle count, not by the clock"
    )
    work_seconds = models.PositiveIntegerField(
        default=0, help_text="scans closer together than this are one batch (not at gated stations)"
    )
    rate_per_hour = models.DecimalField(
        max_digits=12, decimal_places=4, default=0, help_text="labour and machine, in the site's currency"
    )
    yield_limit = models.DecimalField(
        max_digits=5,
        decimal_places=2,
        null=True,
        blank=True,
        help_text="least first-pass yield, in percent",
    )
    repairs = models.BooleanField(default=False, help_text="units that failed are brought here to be mended")
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=Q(rate_per_hour__gte=0), name="station_rate_not_negative"),
            models.CheckConstraint(
                condition=Q(yield_limit=None) | Q(yield_limit__gt=0, yield_limit__lte=100),
                name="yield_limit_in_percent",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"
