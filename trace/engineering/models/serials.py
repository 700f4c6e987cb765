"""How the plant numbers what it builds."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

MOST_DIGITS = 12


class SerialRule(models.Model):
    """The serials of a part number, whatever its revision: a prefix, and a number of so many digits that only ever
    goes up. `{YY}` and `{WW}` in the prefix stand for year and ISO week of the day on which the order is released."""

    number = models.CharField("part number", max_length=60, unique=True)
    prefix = models.CharField(max_length=30, blank=True)
    digits = models.PositiveSmallIntegerField()
    next_number = models.PositiveBigIntegerField(default=1)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(condition=Q(digits__gt=0, digits__lte=MOST_DIGITS), name="serial_has_digits"),
        ]

    def __str__(self) -> str:
        return f"serials of {self.number}"
