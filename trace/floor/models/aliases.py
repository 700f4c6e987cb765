"""By what else a unit is known than its key."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.clock import now_ticks
from trace.core.models import Person, TickField
from trace.floor.models.units import Unit


class Alias(models.Model):
    """Another name of a unit, from `at` on: the code of a label that took the place of the one before, or the serial
    that a customer or a supplier gave it, in capitals. The unit's key never changes; its first label codes that."""

    class Kind(models.TextChoices):
        LABEL = "label", "new label"
        CUSTOMER = "customer", "customer’s serial"
        SUPPLIER = "supplier", "supplier’s serial"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="aliases")
    kind = models.CharField(max_length=8, choices=Kind)
    text = models.CharField(max_length=60)
    reason = models.CharField(max_length=300, blank=True, help_text="why the label was replaced")
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["at", "pk"]
        verbose_name_plural = "aliases"
        indexes = [models.Index(fields=["text"], name="aliases_by_text")]
        constraints = [
            models.UniqueConstraint(
                fields=["text"], condition=Q(kind="label", superseded=None), name="label_code_of_one_unit"
            ),
            models.UniqueConstraint(
                fields=["unit", "kind", "text"], condition=Q(superseded=None), name="alias_of_a_unit_once"
            ),
            models.CheckConstraint(condition=~Q(text=""), name="alias_is_not_empty"),
            models.CheckConstraint(condition=~Q(kind="label", reason=""), name="label_replaced_for_a_reason"),
        ]

    def __str__(self) -> str:
        return self.text
