"""What was decided of the first piece after a changeover."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import Person, TickField
from trace.engineering.models import Step
from trace.floor.models.units import Unit
from trace.material.models import SetUp


class FirstPiece(models.Model):
    """The first piece of a step under a set-up was looked at: approved, and the step goes on; rejected, and another
    one is made first. The latest decision up to a moment rules then."""

    setup = models.ForeignKey(SetUp, models.PROTECT, related_name="+", db_index=False)
    step = models.ForeignKey(Step, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    approved = models.BooleanField()
    reason = models.CharField(max_length=300, blank=True, help_text="why it was rejected")
    happened = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()

    class Meta:
        verbose_name = "first piece"
        indexes = [models.Index(fields=["setup", "step", "happened"], name="first_pieces_in_order")]
        constraints = [
            models.CheckConstraint(condition=Q(approved=True) | ~Q(reason=""), name="first_piece_rejected_for_a_reason")
        ]
