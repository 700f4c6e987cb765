"""What was done about an alarm: stopped, found, cleared, told to customers, reckoned."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.containment.models.alarm import Containment
from trace.containment.models.snapshot import Snapshot
from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.floor.models import Customer, Unit


class Outcome(models.TextChoices):
    """What came of looking for a thing."""

    SEGREGATED = "segregated", "found and segregated"
    SHIPPED = "shipped", "shipped"
    SCRAPPED = "scrapped", "scrapped"
    NOT_FOUND = "not found", "not found"


class Reconciliation(models.Model):
    """Somebody looked for a thing of the population where it should be: what came of it. The latest that is not
    superseded counts."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="reconciliations")
    target_kind = models.CharField(max_length=20)
    target_key = KeyField(unique=False, max_length=120)
    outcome = models.CharField(max_length=10, choices=Outcome)
    place = models.CharField(max_length=120, blank=True, help_text="where it was found, or looked for")
    found = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["containment", "target_kind", "target_key"],
                condition=Q(superseded=None),
                name="reconciled_once",
            ),
            models.CheckConstraint(
                condition=~Q(outcome="segregated") | ~Q(place=""), name="what_is_segregated_is_somewhere"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.target_kind} {self.target_key}: {self.outcome}"


class Clearing(models.Model):
    """A unit is none of the population by evidence of a sort test, whatever it may carry."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="clearings")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    evidence = models.CharField(max_length=300)
    cleared = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)
    superseded_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=300, blank=True, help_text="why it no longer counts")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["containment", "unit"], condition=Q(superseded=None), name="unit_cleared_once"
            ),
            models.CheckConstraint(condition=~Q(evidence=""), name="clearing_has_evidence"),
            models.CheckConstraint(
                condition=Q(superseded=None, superseded_by=None, reason="")
                | Q(superseded__isnull=False, superseded_by__isnull=False) & ~Q(reason=""),
                name="clearing_voided_with_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} cleared in {self.containment}"


class CleanPoint(models.Model):
    """The first serial of a product from which on units are free of what is suspect, and why that is so."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="clean_points")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    declared = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="clean_point_has_a_reason")]

    def __str__(self) -> str:
        return f"clean from {self.unit}"


class Notice(models.Model):
    """What a customer is told of the units that were shipped to them, by the list of a snapshot. It goes out once a
    quality engineer other than its writer has approved it by signature; `sent` is when and how it did. The signature
    is made on the digest of that list, too. One that did not go out is superseded by a later one to the same customer,
    or voided for a reason."""

    key = KeyField()
    containment = models.ForeignKey(Containment, models.PROTECT, related_name="notices")
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="+")
    snapshot = models.ForeignKey(Snapshot, models.PROTECT, related_name="notices")
    text = models.CharField(max_length=2000)
    list_digest = models.CharField(max_length=64, help_text="SHA-256 of the units it lists")
    drafted = TickField()
    drafted_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    sent = TickField(null=True, blank=True)
    sent_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    sent_how = models.CharField(max_length=120, blank=True)
    superseded = TickField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why it never went out")

    class Meta:
        ordering = ["key"]
        constraints = [
            models.UniqueConstraint(
                fields=["containment", "customer"], condition=Q(superseded=None, sent=None), name="one_notice_to_send"
            ),
            models.CheckConstraint(condition=~Q(text=""), name="notice_says_something"),
            models.CheckConstraint(
                condition=Q(sent=None, sent_by=None, sent_how="")
                | Q(sent__isnull=False, sent_by__isnull=False) & ~Q(sent_how=""),
                name="notice_sent_by_somebody",
            ),
            models.CheckConstraint(condition=Q(sent=None) | Q(superseded=None), name="sent_notice_stays"),
            models.CheckConstraint(
                condition=Q(superseded=None, reason="") | Q(superseded__isnull=False) & ~Q(reason=""),
                name="notice_given_up_for_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return self.key


class ContainmentRate(models.Model):
    """A rate that holds for one containment's costs in place of the usual one; the names stand in `costing/`."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="rates")
    name = models.CharField(max_length=40)
    value = models.DecimalField(max_digits=18, decimal_places=6)
    reason = models.CharField(max_length=300, blank=True)
    given = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["containment", "name"], condition=Q(superseded=None), name="one_rate_of_a_name"
            ),
            models.CheckConstraint(condition=Q(value__gte=0), name="rate_of_a_containment_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.name} in {self.containment}"
