"""What parts and work cost from a day on; before the first such day it is what they were defined with."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.engineering.models.parts import Part
from trace.engineering.models.plant import Station


class StandardCost(models.Model):
    """What one unit of measure of a part costs as bought, and the minutes to replace one, from a day on."""

    part = models.ForeignKey(Part, models.PROTECT, related_name="costs")
    since = models.DateField()
    standard_cost = models.DecimalField(max_digits=14, decimal_places=6)
    replace_minutes = models.DecimalField(max_digits=8, decimal_places=2)

    class Meta:
        ordering = ["part", "since"]
        constraints = [
            models.UniqueConstraint(fields=["part", "since"], name="one_standard_cost_a_day"),
            models.CheckConstraint(
                condition=Q(standard_cost__gte=0, replace_minutes__gte=0), name="standard_cost_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part.key} from {self.since}"


class HourlyRate(models.Model):
    """What an hour at a station costs, labour and machine, from a day on."""

    station = models.ForeignKey(Station, models.PROTECT, related_name="rates")
    since = models.DateField()
    rate_per_hour = models.DecimalField(max_digits=12, decimal_places=4)

    class Meta:
        ordering = ["station", "since"]
        constraints = [
            models.UniqueConstraint(fields=["station", "since"], name="one_hourly_rate_a_day"),
            models.CheckConstraint(condition=Q(rate_per_hour__gte=0), name="hourly_rate_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.station.key} from {self.since}"
