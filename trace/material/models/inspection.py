"""Incoming inspection: what is inspected of a part, what was found of a lot, and the status that followed."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import Person, TickField
from trace.engineering.equipment import KIND_LENGTH, Equipment
from trace.engineering.models import Part
from trace.material.models.stock import Container, Lot, Supplier
from trace.material.sampling import LEVELS, Ruling, Severity


class Manner(models.TextChoices):
    """How many of a lot's pieces are inspected. Sorting is what is done to a lot that was rejected."""

    EVERY = "every piece", "every piece"
    SAMPLE = "sample", "a sample by its AQL"
    GAUGE = "gauged", "so many pieces gauged"
    SORTED = "sorted", "sorted: every piece of a rejected lot"


class PlannedInspection(models.Model):
    """One characteristic that is inspected of every lot of a part that comes in; all of a part's are its inspection
    plan.

    A sample has its AQL (per cent nonconforming) and inspection level, gauging its number of pieces, limits and a kind
    of equipment. Where every piece is inspected, `allowable` is the percentage that may be defective in an acceptable
    lot (PDA); without it only a lot of which nothing is left is rejected.
    """

    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=120)
    manner = models.CharField(max_length=11, choices=Manner)
    aql = models.DecimalField(max_digits=6, decimal_places=3, null=True, blank=True, help_text="% nonconforming")
    level = models.CharField(max_length=3, blank=True, choices=[(level, level) for level in LEVELS])
    pieces = models.PositiveIntegerField(null=True, blank=True, help_text="how many are gauged")
    allowable = models.DecimalField(max_digits=6, decimal_places=3, null=True, blank=True, help_text="% defective")
    unit_of_measure = models.CharField(max_length=20, blank=True, help_text="empty: it is good or not")
    lower = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    upper = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    equipment = models.CharField(max_length=KIND_LENGTH, blank=True, help_text="the kind of equipment that it needs")
    screen = models.CharField(max_length=200, blank=True, help_text="stress screen before it, such as hot and cold")
    caution = models.CharField(max_length=300, blank=True, help_text="what can hurt someone who does it")

    class Meta:
        ordering = ["part", "number"]
        constraints = [
            models.UniqueConstraint(fields=["part", "number"], name="planned_inspection_number_once"),
            models.UniqueConstraint(fields=["part", "name"], name="planned_inspection_name_once"),
            models.CheckConstraint(
                condition=Q(manner="every piece", aql=None, level="", pieces=None)
                | Q(manner="sample", aql__isnull=False, aql__gt=0, aql__lte=10, pieces=None, allowable=None)
                & ~Q(level="")
                | Q(manner="gauged", aql=None, level="", allowable=None, pieces__isnull=False, pieces__gt=0)
                & ~Q(equipment=""),
                name="planned_inspection_fits_its_manner",
            ),
            models.CheckConstraint(
                condition=Q(unit_of_measure="", lower=None, upper=None) & ~Q(manner="gauged")
                | ~Q(unit_of_measure="") & (Q(lower__isnull=False) | Q(upper__isnull=False)),
                name="planned_inspection_measured_has_limits",
            ),
            models.CheckConstraint(
                condition=Q(lower=None) | Q(upper=None) | Q(lower__lt=F("upper")),
                name="planned_inspection_limits_in_order",
            ),
            models.CheckConstraint(
                condition=Q(allowable=None) | Q(allowable__gte=0, allowable__lt=100), name="allowable_is_a_percentage"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Inspection(models.Model):
    """One characteristic of a lot was inspected, and what the system decided of it, with all that it decided by.

    `round` counts how often the lot came up for inspection: after the first it was sorted before, and does not count
    for switching. Of a sample `accept` and `reject` are its numbers, from the plan of `letter` at `severity`.
    """

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="inspections")
    round = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=120)
    manner = models.CharField(max_length=11, choices=Manner)
    severity = models.CharField(max_length=12, blank=True, choices=Severity)
    aql = models.DecimalField(max_digits=6, decimal_places=3, null=True)
    letter = models.CharField(max_length=1, blank=True)
    size = models.PositiveIntegerField(help_text="pieces in the lot, as far as is known")
    inspected = models.PositiveIntegerField()
    rejected = models.PositiveIntegerField()
    accept = models.PositiveIntegerField(null=True)
    reject = models.PositiveIntegerField(null=True)
    accepted = models.BooleanField()
    unit_of_measure = models.CharField(max_length=20, blank=True)
    lower = models.DecimalField(max_digits=18, decimal_places=6, null=True)
    upper = models.DecimalField(max_digits=18, decimal_places=6, null=True)
    screen = models.CharField(max_length=200, blank=True, help_text="the stress screen that was done before")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, related_name="+")
    remark = models.CharField(max_length=300, blank=True)
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["lot", "round", "name"], condition=~Q(manner="sorted"), name="inspected_once_in_a_round"
            ),
            models.CheckConstraint(condition=Q(rejected__lte=F("inspected")), name="rejected_are_of_the_inspected"),
            models.CheckConstraint(
                condition=Q(accept=None, reject=None) & ~Q(manner="sample")
                | Q(manner="sample", accept__isnull=False, reject__isnull=False, accept__lt=F("reject"))
                & (Q(accepted=True, rejected__lt=F("reject")) | Q(accepted=False, rejected__gte=F("reject"))),
                name="sample_decided_by_its_numbers",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.lot}"

    @property
    def marginal(self) -> bool:
        """Whether reduced inspection accepted it with more rejects than it accepts up to."""
        return self.accept is not None and self.accepted and self.rejected > self.accept


class InspectionCount(models.Model):
    """How many pieces of a container were inspected and how many rejected: those leave it."""

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="counts")
    container = models.ForeignKey(Container, models.PROTECT, related_name="+")
    inspected = models.PositiveIntegerField()
    rejected = models.PositiveIntegerField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["inspection", "container"], name="container_counted_once"),
            models.CheckConstraint(condition=Q(rejected__lte=F("inspected")), name="counted_rejects_of_the_inspected"),
        ]


class InspectionReading(models.Model):
    """What one piece measured, in the inspection's unit."""

    inspection = models.ForeignKey(Inspection, models.PROTECT, related_name="readings")
    number = models.PositiveIntegerField()
    value = models.DecimalField(max_digits=18, decimal_places=6)

    class Meta:
        ordering = ["inspection", "number"]
        constraints = [models.UniqueConstraint(fields=["inspection", "number"], name="reading_number_once")]


class LotStatus(models.Model):
    """A lot's status from `since` on, and on what evidence. A lot without any was stocked on receipt: released."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="statuses")
    status = models.CharField(max_length=11, choices=Lot.Status)
    since = TickField()
    evidence = models.CharField(max_length=300)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()

    class Meta:
        ordering = ["id"]
        verbose_name = "lot status"
        verbose_name_plural = "lot statuses"
        indexes = [models.Index(fields=["lot", "since"], name="statuses_of_lot")]
        constraints = [models.CheckConstraint(condition=~Q(evidence=""), name="lot_status_has_its_evidence")]


class SamplingRuling(models.Model):
    """What a quality engineer decided about how a supplier's lots of a part are sampled, from `at` on."""

    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="+")
    ruling = models.CharField(max_length=17, choices=Ruling)
    reason = models.CharField(max_length=300)
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="sampling_ruling_has_a_reason")]
