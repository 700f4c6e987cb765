"""Blocks on lots, containers, units, cartons, pallets, stations, set-ups: by kind and key, no foreign key."""

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
    under = KeyField(unique=False, blank=True, help_text="the containment that holds it, and releases it")

    class Meta:
        # The key first: of a kind a hundred thousand may be held, of a key one or two, and nobody need count that.
        indexes = [models.Index(fields=["target_key", "target_kind"], condition=Q(released=None), name="open_holds")]
        constraints = [
            models.UniqueConstraint(
                fields=["under", "target_kind", "target_key"],
                condition=Q(released=None) & ~Q(under=""),
                name="held_once_under_a_containment",
            ),
            models.CheckConstraint(
                condition=Q(released=None, released_by=None, release_reason="")
                | Q(released__isnull=False, released_by__isnull=False) & ~Q(release_reason=""),
                name="release_is_signed_and_reasoned",
            ),
        ]

    @property
    def sentence(self) -> str:
        """What is held and why, to whoever is stopped by it."""
        return f"{self.target_kind.capitalize()} {self.target_key} is held: {self.reason}"

    def __str__(self) -> str:
        return f"hold on {self.target_kind} {self.target_key}"


class Decision(models.TextChoices):
    """What becomes of what does not conform."""

    USE_AS_IS = "use as is", "use as is"
    REWORK = "rework", "rework"
    REPAIR = "repair", "repair"
    SCRAP = "scrap", "scrap"
    RETURN = "return to supplier", "return to supplier"
    SORT = "sort", "sort"


class Disposition(models.Model):
    """The decision on something that does not conform, and the moves that it permits of it although it is held.

    It counts once a quality engineer other than who decided it has approved it by signature, until it is withdrawn or
    a later one counts. One that decides of several things at once has `members`; the signature is made on their digest,
    so that nobody need read all of them to know whether it stands.
    """

    key = KeyField()
    target_kind = models.CharField(max_length=20)
    target_key = KeyField(unique=False, max_length=120)
    decision = models.CharField(max_length=18, choices=Decision)
    reason = models.CharField(max_length=300)
    evidence = models.CharField(max_length=300, blank=True, help_text="on what it rests")
    permits = models.JSONField(default=list)
    member_digest = models.CharField(max_length=64, null=True, blank=True, help_text="SHA-256 of what it decides of")
    decided = models.DateTimeField()
    decided_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()
    withdrawn = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    withdraw_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["key"]
        indexes = [models.Index(fields=["target_kind", "target_key"], name="dispositions_of_a_thing")]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="disposition_has_a_reason"),
            models.CheckConstraint(
                condition=Q(withdrawn=None, withdrawn_by=None, withdraw_reason="")
                | Q(withdrawn__isnull=False, withdrawn_by__isnull=False) & ~Q(withdraw_reason=""),
                name="withdrawal_is_signed_and_reasoned",
            ),
        ]

    def __str__(self) -> str:
        return self.key


class DispositionMember(models.Model):
    """A thing among several of which one disposition decides; its target then names what they are together."""

    disposition = models.ForeignKey(Disposition, models.PROTECT, related_name="members")
    kind = models.CharField(max_length=20)
    key = KeyField(unique=False, max_length=120)

    class Meta:
        indexes = [models.Index(fields=["kind", "key"], name="memberships_of_a_thing")]
        constraints = [
            models.UniqueConstraint(fields=["disposition", "kind", "key"], name="member_once_in_a_disposition")
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key} in {self.disposition}"
