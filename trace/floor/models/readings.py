"""What was measured and judged of units."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import Person, TickField
from trace.engineering.equipment import Equipment, Program
from trace.engineering.models import Characteristic, Station, Step
from trace.floor.models.units import Unit


class Reading(models.Model):
    """What was measured of a unit for a step, in its characteristic's unit, or what somebody judged it to be.

    `good` is what the limits of the unit's revision said when it was recorded, or the judge. `unfit` says what was then
    the matter with the equipment: such a reading is kept, and lets nothing pass. `attempt` counts the readings of one
    characteristic of a unit, as they were recorded. Nothing points at a pass: unit, step and moment say in which visit
    it was.
    """

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="readings", db_index=False)
    characteristic = models.ForeignKey(Characteristic, models.PROTECT, related_name="+", db_index=False)
    step = models.ForeignKey(Step, models.PROTECT, related_name="+", db_index=False)
    station = models.ForeignKey(Station, models.PROTECT, related_name="+", db_index=False)
    value = models.DecimalField(
        max_digits=18, decimal_places=6, null=True, blank=True, help_text="empty: it was judged, not measured"
    )
    good = models.BooleanField()
    judge = models.ForeignKey(
        Person, models.PROTECT, null=True, related_name="+", db_index=False, help_text="who judged what is not measured"
    )
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, related_name="+", db_index=False)
    program = models.ForeignKey(
        Program, models.PROTECT, null=True, related_name="+", db_index=False, help_text="that was on it"
    )
    unfit = models.CharField(max_length=300, blank=True, help_text="what was the matter with the equipment then")
    attempt = models.PositiveIntegerField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+", db_index=False)
    happened = TickField()
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["unit", "happened"], name="readings_of_unit"),
            models.Index(fields=["characteristic", "happened"], name="readings_of_a_kind"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["unit", "characteristic", "attempt"], name="reading_attempt_once"),
            models.CheckConstraint(condition=Q(attempt__gte=1), name="reading_attempts_from_one"),
            models.CheckConstraint(
                condition=Q(value__isnull=False, judge=None) | Q(value=None, judge__isnull=False),
                name="reading_measured_or_judged",
            ),
            models.CheckConstraint(
                condition=Q(program=None) | Q(equipment__isnull=False), name="reading_program_on_equipment"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.characteristic} of {self.unit}"

    @property
    def passes(self) -> bool:
        """Whether it lets the unit pass: it is good, and what it was done with was fit."""
        return self.good and not self.unfit
