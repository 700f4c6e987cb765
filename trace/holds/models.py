"""Blocks on lots, containers, units, cartons, stations, set-ups: by kind and key, no foreign key."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import KeyField, Person


class Hold(models.Model):
    """A block on one thing, open until it is released. It says which moves it still permits."""

    target_kind = models.CharField(max_length=20)
    target_key = KeyField(unique=False, max_length=120)
    reason = models.CharField(max_length=300)
    permits = models.JSONField(default=list, blank=True)
    placed = models.DateTimeField()
    placed_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()
    released = models.DateTimeField(null=True, blank=True)
    released_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    release_recorded = models.DateTimeField(null=True, blank=True)
    release_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [models.Index(fields=["target_kind", "target_key"], condition=Q(released=None), name="open_holds")]
        constraints = [
            models.CheckConstraint(
                condition=Q(released=None, released_by=None, release_reason="")
                | Q(released__isnull=False, released_by__isnull=False) & ~Q(release_reason=""),
                name="release_is_signed_and_reasoned",
            )
        ]

    @property
    def sentence(self) -> str:
        """What is held and why, to whoever is stopped by it."""
        return f"{self.target_kind.capitalize()} {self.target_key} is held: {self.reason}"

    def __str__(self) -> str:
        return f"hold on {self.target_kind} {self.target_key}"
