"""How units are packed."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.engineering.models.parts import Part


class PackingLine(models.Model):
    """What belongs in a carton of a product: so many of a part. The line of the product itself says how many units a
    carton takes; the others, what goes in with them: manuals, accessories, packaging."""

    product = models.ForeignKey(Part, models.PROTECT, related_name="packing_lines")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    quantity = models.PositiveIntegerField()

    class Meta:
        ordering = ["product", "id"]
        constraints = [
            models.UniqueConstraint(fields=["product", "part"], name="packed_part_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="packed_quantity_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.part.key}"
