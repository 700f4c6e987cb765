"""What is measured of a bath: solder, flux, cleaner."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import Person, TickField
from trace.material.models.feeds import Feed


class BathLimit(models.Model):
    """Something that is measured of a bath, and between what it must be; None where one side has no limit."""

    feed = models.ForeignKey(Feed, models.PROTECT, related_name="+")
    name = models.CharField(max_length=60)
    unit = models.CharField(max_length=20)
    low = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)

    class Meta:
        ordering = ["feed", "name"]
        constraints = [
            models.UniqueConstraint(fields=["feed", "name"], name="one_limit_by_its_name"),
            models.CheckConstraint(condition=~Q(unit=""), name="bath_limit_has_a_unit"),
            models.CheckConstraint(
                condition=Q(low=None) | Q(high=None) | Q(high__gte=F("low")), name="bath_limits_in_order"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.feed.key}"


class BathReading(models.Model):
    """What was measured of a bath, beside the limits of that day."""

    feed = models.ForeignKey(Feed, models.PROTECT, related_name="+")
    name = models.CharField(max_length=60)
    value = models.DecimalField(max_digits=14, decimal_places=4)
    unit = models.CharField(max_length=20)
    low = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["feed", "at"], name="readings_of_bath")]
        constraints = [models.CheckConstraint(condition=~Q(unit=""), name="bath_reading_has_a_unit")]

    def __str__(self) -> str:
        return f"{self.name} {self.value:f} {self.unit}"

    @property
    def outside(self) -> bool:
        """Whether it was beyond a limit; what lies on one is within."""
        return (self.low is not None and self.value < self.low) or (self.high is not None and self.value > self.high)
