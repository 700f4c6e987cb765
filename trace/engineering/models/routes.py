"""How a part is built: its steps, and what is looked at in each."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.engineering.models.parts import Part
from trace.engineering.models.plant import Station
from trace.engineering.models.qualifications import Qualification


class Step(models.Model):
    """One operation on a part's route, in order of its number, at any of its stations.

    Steps that follow each other under one name of `free_order` may be done in any order; of those under one name
    of `alternative` one is enough.
    """

    class Verification(models.TextChoices):
        NONE = "", "nobody verifies the set-up"
        ANYBODY = "anybody", "the set-up is verified"
        ANOTHER = "another", "another person verifies the set-up"

    part = models.ForeignKey(Part, models.PROTECT, related_name="steps")
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=120)
    minutes = models.DecimalField(max_digits=8, decimal_places=3, default=0)
    stations = models.ManyToManyField(Station, related_name="steps")
    caution = models.CharField(max_length=300, blank=True)
    instruction = models.TextField(max_length=4_000, blank=True, help_text="what to do, in the plant's own words")
    picture = models.CharField(max_length=64, blank=True, help_text="SHA-256 of the file that shows it")
    free_order = models.CharField(max_length=20, blank=True, help_text="steps of one such name go in any order")
    alternative = models.CharField(max_length=20, blank=True, help_text="of steps of one such name one is enough")
    first_piece = models.BooleanField(
        default=False, help_text="after a changeover the first unit is approved before the next one starts"
    )
    verification = models.CharField(
        max_length=7,
        choices=Verification,
        blank=True,
        default=Verification.NONE,
        help_text="whether what is on each feed is scanned once more before a unit goes in, and by whom",
    )
    qualification = models.ForeignKey(Qualification, models.PROTECT, null=True, blank=True, related_name="steps")
    equipment_kind = models.CharField(max_length=40, blank=True, help_text="the kind of equipment that it needs")
    program = models.ForeignKey(
        "trace.Program", models.PROTECT, null=True, blank=True, related_name="+", help_text="that must be on it"
    )
    sample_every = models.PositiveIntegerField(
        null=True, blank=True, help_text="one unit in so many is tested here; empty: each of them"
    )
    attempts = models.PositiveIntegerField(
        null=True,
        blank=True,
        help_text="how often a unit may fail here before it is reviewed; empty: no limit",
    )

    class Meta:
        ordering = ["part", "number"]
        constraints = [
            models.UniqueConstraint(fields=["part", "number"], name="step_number_once_per_route"),
            models.CheckConstraint(condition=Q(minutes__gte=0), name="step_minutes_not_negative"),
            models.CheckConstraint(
                condition=Q(free_order="") | Q(alternative=""), name="step_is_free_or_alternative_not_both"
            ),
            models.CheckConstraint(
                condition=Q(program=None) | ~Q(equipment_kind=""), name="step_program_runs_on_equipment"
            ),
            models.CheckConstraint(condition=Q(sample_every=None) | Q(sample_every__gt=1), name="step_samples_some"),
            models.CheckConstraint(condition=Q(attempts=None) | Q(attempts__gt=0), name="step_allows_an_attempt"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class Characteristic(models.Model):
    """What is measured or judged of a unit at a step.

    A measured one has a unit of measure and at least one limit; the target lies within them. A judged one is good
    or not, as the one who is named sees it.
    """

    part = models.ForeignKey(Part, models.PROTECT, related_name="characteristics")
    step_number = models.PositiveIntegerField()
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=120)
    unit_of_measure = models.CharField(max_length=20, blank=True, help_text="empty: it is judged, not measured")
    lower = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    target = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    upper = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    judge = models.CharField(max_length=60, blank=True, help_text="who judges what is not measured")

    class Meta:
        ordering = ["part", "step_number", "number"]
        constraints = [
            models.UniqueConstraint(fields=["part", "step_number", "number"], name="characteristic_number_once"),
            models.CheckConstraint(
                condition=(Q(judge="") & ~Q(unit_of_measure="") & (Q(lower__isnull=False) | Q(upper__isnull=False)))
                | (~Q(judge="") & Q(unit_of_measure="", lower=None, target=None, upper=None)),
                name="characteristic_measured_or_judged",
            ),
            models.CheckConstraint(
                condition=(Q(lower=None) | Q(upper=None) | Q(lower__lt=F("upper")))
                & (Q(target=None) | Q(lower=None) | Q(lower__lte=F("target")))
                & (Q(target=None) | Q(upper=None) | Q(target__lte=F("upper"))),
                name="characteristic_limits_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.name
