"""By which revision a unit is built, once rework has brought it to a later one than its order's."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.clock import now_ticks
from trace.core.models import Person, TickField
from trace.engineering.models import Part
from trace.floor.models.units import Unit


class Conformity(models.Model):
    """From `at` on a unit conforms to this later revision of its part. Its order and its route stay as they were."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="conformities")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    at = TickField()
    reason = models.CharField(max_length=300)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["at", "pk"]
        verbose_name_plural = "conformities"
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "part"], condition=Q(superseded=None), name="unit_conforms_to_a_revision_once"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="conformity_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.unit} by {self.part.key}"
