"""Sample tests: the rules that choose units for them, the units that owe one, what was run and what failed."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.approvals.models import Deviation
from trace.core.models import Person, TickField
from trace.engineering.equipment import Equipment
from trace.engineering.models import Step
from trace.floor.models.units import Unit
from trace.material.sampling import LEVELS


class Counted(models.TextChoices):
    """What a sample test counts."""

    HOURS = "hours", "hours"
    DROPS = "drops", "drops"


class Chooses(models.TextChoices):
    """Which units of a work order owe a test."""

    EVERY = "one in", "one in so many"
    FIRST = "first", "the first"
    PLAN = "plan", "as many as its sampling plan asks"


class SampleRule(models.Model):
    """A test that some units of a part number, all its revisions, owe once they passed a step.

    `demand` is for how many hours they run, or how often they are dropped. `every`: one in so many of each work order,
    its first one included; a plan has the inspection `level` and the `aql`, and the order is the lot. Where `ships`, a
    sample that passed may be sold as new. `days`: within so many the test should end.
    """

    number = models.CharField(max_length=60, help_text="the part number")
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=5, choices=Counted)
    demand = models.DecimalField(max_digits=9, decimal_places=2)
    step_number = models.PositiveIntegerField(help_text="once a unit passed it")
    chooses = models.CharField(max_length=6, choices=Chooses)
    every = models.PositiveIntegerField(null=True, blank=True)
    level = models.CharField(max_length=3, blank=True, choices=[(level, level) for level in LEVELS])
    aql = models.DecimalField(max_digits=6, decimal_places=3, null=True, blank=True, help_text="% nonconforming")
    ships = models.BooleanField(default=False)
    days = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["number", "id"]
        constraints = [
            models.UniqueConstraint(fields=["number", "name"], name="sample_rule_name_once"),
            models.CheckConstraint(condition=Q(demand__gt=0), name="sample_rule_demands_something"),
            models.CheckConstraint(
                condition=Q(chooses="one in", every__isnull=False, every__gt=0, level="", aql=None)
                | Q(chooses="first", every=None, level="", aql=None)
                | Q(chooses="plan", every=None, aql__isnull=False, aql__gt=0, aql__lte=10) & ~Q(level=""),
                name="sample_rule_chooses_one_way",
            ),
            models.CheckConstraint(condition=Q(days=None) | Q(days__gt=0), name="sample_rule_days_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class Sample(models.Model):
    """A unit that owes a test, from `owed` on, and what became of that. What its rule said then stands here.

    Its test runs from `started` to `ended`. A drop test has the mass in kg and the height in mm that follows from it.
    `instead_of`: the duty was another unit's. Waived: a deviation let the unit go without.
    """

    class Result(models.TextChoices):
        NONE = "", "not ended"
        PASSED = "passed", "passed"
        FAILED = "failed", "failed"
        WAIVED = "waived", "waived"
        PASSED_ON = "passed on", "passed on to another unit"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="samples")
    test = models.CharField(max_length=60)
    kind = models.CharField(max_length=5, choices=Counted)
    demand = models.DecimalField(max_digits=9, decimal_places=2)
    ships = models.BooleanField(default=False)
    step = models.ForeignKey(Step, models.PROTECT, related_name="+")
    owed = TickField()
    due = TickField(null=True, blank=True)
    instead_of = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="+")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+", help_text="whose scan brought it about")
    recorded = TickField()
    started = TickField(null=True, blank=True)
    started_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    start_recorded = TickField(null=True, blank=True)
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    mass = models.DecimalField(max_digits=7, decimal_places=3, null=True, blank=True, help_text="kg, packed")
    height = models.PositiveIntegerField(null=True, blank=True, help_text="mm")
    ended = TickField(null=True, blank=True)
    ended_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    end_recorded = TickField(null=True, blank=True)
    result = models.CharField(max_length=9, choices=Result, blank=True, default=Result.NONE)
    reason = models.CharField(max_length=300, blank=True)
    deviation = models.ForeignKey(Deviation, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["owed", "id"]
        indexes = [models.Index(fields=["owed"], condition=Q(ended=None), name="samples_not_ended")]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "test"], condition=~Q(result="passed on"), name="sample_owed_once_by_a_unit"
            ),
            models.CheckConstraint(condition=Q(demand__gt=0), name="sample_demands_something"),
            models.CheckConstraint(
                condition=Q(started=None, started_by=None, start_recorded=None, equipment=None, mass=None, height=None)
                | Q(
                    started__isnull=False,
                    started__gte=F("owed"),
                    started_by__isnull=False,
                    start_recorded__isnull=False,
                ),
                name="sample_starts_once_owed",
            ),
            models.CheckConstraint(
                condition=Q(started=None)
                | Q(kind="hours", mass=None, height=None)
                | Q(kind="drops", mass__isnull=False, mass__gt=0, height__isnull=False, height__gt=0),
                name="sample_is_dropped_from_a_height",
            ),
            models.CheckConstraint(
                condition=Q(ended=None, ended_by=None, end_recorded=None, result="")
                | Q(ended__isnull=False, ended__gte=F("owed"), ended_by__isnull=False, end_recorded__isnull=False)
                & ~Q(result=""),
                name="sample_ends_with_a_result",
            ),
            models.CheckConstraint(
                condition=~Q(result__in=["passed", "failed"]) | Q(started__isnull=False, ended__gte=F("started")),
                name="sample_result_of_a_test_that_ran",
            ),
            models.CheckConstraint(
                condition=Q(result="waived", deviation__isnull=False) | ~Q(result="waived") & Q(deviation=None),
                name="sample_waived_under_a_deviation",
            ),
            models.CheckConstraint(
                condition=~Q(result__in=["waived", "passed on"]) | ~Q(reason=""), name="sample_spared_for_a_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.test} of {self.unit}"


class SampleEntry(models.Model):
    """How many hours or drops of a sample test were `done` by a moment, and the failure that was seen then, if any."""

    sample = models.ForeignKey(Sample, models.PROTECT, related_name="entries")
    done = models.DecimalField(max_digits=9, decimal_places=2)
    failure = models.CharField(max_length=300, blank=True, help_text="what failed, and how")
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "sample entries"
        ordering = ["at", "id"]
        constraints = [models.CheckConstraint(condition=Q(done__gte=0), name="sample_done_not_negative")]

    def __str__(self) -> str:
        return f"{self.done} of {self.sample}"
