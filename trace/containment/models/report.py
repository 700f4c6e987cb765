"""What people write of an alarm, and how far the reckoning of its population is."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.containment.models.alarm import Containment
from trace.core.clock import now_ticks
from trace.core.models import Person, TickField


class Heading(models.TextChoices):
    """What a remark is about; each has its place in the report."""

    CAUSE = "cause", "root cause"
    ESCAPE = "escape", "why it was not found earlier"
    ACTION = "action", "corrective action"
    VALIDATION = "validation", "how the action was carried out and proved"
    PREVENTION = "prevention", "prevention of recurrence"


class Remark(models.Model):
    """What somebody writes under a heading; the latest counts, the earlier ones stay on record."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="remarks")
    heading = models.CharField(max_length=10, choices=Heading)
    text = models.CharField(max_length=2000)
    written = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["containment", "heading"], condition=Q(superseded=None), name="one_remark_under_a_heading"
            ),
            models.CheckConstraint(condition=~Q(text=""), name="remark_says_something"),
        ]

    def __str__(self) -> str:
        return f"{self.heading} of {self.containment}"


class Watch(models.Model):
    """How far the population of a containment was followed: to which entry of the ledger, when that was looked at; and
    since when somebody waits for it to be reckoned, and how far that is."""

    containment = models.OneToOneField(Containment, models.PROTECT, related_name="watch")
    event = models.BigIntegerField(default=0)
    looked = TickField(null=True, blank=True)
    asked = TickField(null=True, blank=True)
    doing = models.CharField(max_length=120, blank=True)
    share = models.PositiveSmallIntegerField(default=0, help_text="per cent")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(share__lte=100), name="watch_share_is_per_cent")]

    def __str__(self) -> str:
        return f"watch of {self.containment}"
