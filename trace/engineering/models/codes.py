"""What a fault may be called, and what may have caused one: the plant's own words."""

from __future__ import annotations

from django.db import models

from trace.core.models import KeyField


class Code(models.Model):
    """A word of the plant's for something that is found again and again, by a short key."""

    key = KeyField()
    name = models.CharField(max_length=120, help_text="as a sentence takes it: solder bridge")
    retired = models.BooleanField(default=False, help_text="it stays on record, and is given no more")

    class Meta:
        abstract = True
        ordering = ["key"]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class FaultCode(Code):
    """What may be found wrong with a unit: an open joint, a wrong part."""


class CauseCode(Code):
    """What may have caused a fault: a worn nozzle, a part out of its limits."""
