"""What parts and work cost from a day on (before the first such day it is what they were defined with), and what was
spent on quality that no other record tells of."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import Person, TickField
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


class QualityHeading(models.TextChoices):
    """Under which of the four headings of quality cost something stands (common practice): what keeps things from going
    wrong, what looks whether they did, what went wrong and was found before delivery, or after."""

    PREVENTION = "prevention", "prevention"
    APPRAISAL = "appraisal", "appraisal"
    INTERNAL = "internal failure", "internal failure"
    EXTERNAL = "external failure", "external failure"


class QualityOutlay(models.Model):
    """Money that was spent on quality on a day, in the site's currency, and that no other record tells of: training, a
    laboratory's bill, a warranty claim."""

    day = models.DateField()
    heading = models.CharField(max_length=16, choices=QualityHeading)
    words = models.CharField(max_length=200, help_text="for what")
    amount = models.DecimalField(max_digits=14, decimal_places=3)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["day", "id"]
        indexes = [models.Index(fields=["day"], condition=Q(superseded=None), name="quality_outlays_by_day")]
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="quality_outlay_of_some_money"),
            models.CheckConstraint(condition=~Q(words=""), name="quality_outlay_says_for_what"),
        ]

    def __str__(self) -> str:
        return self.words
