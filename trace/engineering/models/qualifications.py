"""What people must have proved to be able to do, and who has."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField


class Qualification(models.Model):
    """What somebody must have proved to be able to do before a step that asks for it."""

    key = KeyField()
    name = models.CharField(max_length=120, help_text="as a sentence takes it: hand soldering")

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class Qualified(models.Model):
    """Somebody has a qualification from one moment up to another, where it ends. What is told otherwise later
    supersedes the row."""

    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    qualification = models.ForeignKey(Qualification, models.PROTECT, related_name="periods")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True, help_text="no longer from then on; empty: without an end")
    vouched_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    note = models.CharField(max_length=300, blank=True, help_text="what it rests on, such as a certificate")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["person", "qualification", "since"]
        verbose_name = "qualified person"
        verbose_name_plural = "qualified people"
        constraints = [
            models.CheckConstraint(condition=Q(until=None) | Q(until__gt=F("since")), name="qualified_for_some_time"),
            models.CheckConstraint(condition=~Q(person=F("vouched_by")), name="nobody_vouches_for_themselves"),
            models.UniqueConstraint(
                fields=["person", "qualification", "since"],
                condition=Q(superseded=None),
                name="qualified_since_a_moment_once",
            ),
            models.UniqueConstraint(
                fields=["person", "qualification"],
                condition=Q(superseded=None, until=None),
                name="qualified_without_end_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.qualification}"
