"""What was found wrong with units, what caused it, and what was done about it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import Person, TickField
from trace.engineering.models import CauseCode, FaultCode, Station, Step
from trace.floor.models.units import Unit


class Fault(models.Model):
    """Something was found wrong with a unit: at which step and station, and when, at which designator if at one. It is
    open until a repair answers it. Nothing points at a pass: unit, step and moment say in which visit it was."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="faults")
    code = models.ForeignKey(FaultCode, models.PROTECT, related_name="+")
    designator = models.CharField(max_length=20, blank=True)
    note = models.CharField(max_length=300, blank=True)
    step = models.ForeignKey(Step, models.PROTECT, null=True, related_name="+")
    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    found = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["found"], condition=Q(superseded=None), name="faults_by_time")]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "code", "designator", "found"],
                condition=Q(superseded=None),
                name="fault_recorded_once",
            )
        ]

    @property
    def words(self) -> str:
        """What is wrong, and where."""
        return f"{self.code.name} at {self.designator}" if self.designator else self.code.name

    def __str__(self) -> str:
        return f"{self.words} of {self.unit}"


class Diagnosis(models.Model):
    """What caused a fault, and at which step. A later one supersedes it."""

    fault = models.ForeignKey(Fault, models.PROTECT, related_name="diagnoses")
    cause = models.ForeignKey(CauseCode, models.PROTECT, related_name="+")
    step = models.ForeignKey(Step, models.PROTECT, null=True, related_name="+", help_text="that caused it, if known")
    note = models.CharField(max_length=300, blank=True)
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "diagnoses"
        constraints = [
            models.UniqueConstraint(
                fields=["fault"], condition=Q(superseded=None), name="one_diagnosis_of_a_fault_stands"
            )
        ]

    def __str__(self) -> str:
        return f"{self.cause.name}: {self.fault}"


class Repair(models.Model):
    """What was done about faults of a unit, in how many minutes, and from which step on it goes its way again: those
    that it had passed from there on are due again."""

    class Action(models.TextChoices):
        REPLACED = "replaced", "part replaced"
        RESOLDERED = "resoldered", "resoldered"
        ADJUSTED = "adjusted", "adjusted"
        CLEANED = "cleaned", "cleaned"
        MENDED = "mended", "mended in another way"
        NOT_FOUND = "no fault found", "no fault found"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="repairs")
    faults = models.ManyToManyField(Fault, related_name="repairs")
    action = models.CharField(max_length=14, choices=Action)
    designator = models.CharField(max_length=20, blank=True)
    minutes = models.DecimalField(max_digits=7, decimal_places=2, default=0)
    note = models.CharField(max_length=300, blank=True)
    station = models.ForeignKey(Station, models.PROTECT, null=True, related_name="+", help_text="where it was mended")
    returns = models.ForeignKey(
        Step, models.PROTECT, null=True, related_name="+", help_text="to which it goes back; empty: where it was due"
    )
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["unit", "at"], name="repairs_of_unit")]
        constraints = [
            models.CheckConstraint(condition=Q(minutes__gte=0), name="repair_minutes_not_negative"),
            models.CheckConstraint(
                condition=~Q(action="replaced") | ~Q(designator=""), name="replaced_part_has_a_designator"
            ),
        ]

    def __str__(self) -> str:
        where = f" at {self.designator}" if self.designator else ""
        return f"{self.get_action_display()}{where} in {self.unit}"
