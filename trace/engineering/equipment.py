"""Equipment, its calibrations, the pieces it is checked with, the programs loaded on it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from trace.core.models import KeyField, Person
from trace.engineering.models import Station

KIND_LENGTH = 40


class Equipment(models.Model):
    """A tester, gauge, oven or tool that a step needs: one of its kind, at the station where it stands.

    `calibrated` and `calibration_due` are those of its last calibration; a failed one leaves no due date. What needs
    no calibration has no interval.
    """

    key = KeyField()
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=KIND_LENGTH, help_text="as steps ask for it, such as high-voltage tester")
    station = models.ForeignKey(Station, models.PROTECT, null=True, blank=True, related_name="equipment")
    calibrate_every = models.PositiveSmallIntegerField(null=True, blank=True, help_text="days; empty: needs none")
    calibrated = models.DateTimeField(null=True, blank=True)
    calibration_due = models.DateField(null=True, blank=True, help_text="the last day on which it may be used")
    caution = models.CharField(max_length=300, blank=True, help_text="what can hurt someone who works with it")
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        verbose_name_plural = "equipment"
        constraints = [
            models.CheckConstraint(condition=~Q(kind=""), name="equipment_has_a_kind"),
            models.CheckConstraint(
                condition=Q(calibrate_every=None) | Q(calibrate_every__gt=0, calibrate_every__lte=3660),
                name="calibration_interval_up_to_ten_years",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class Calibration(models.Model):
    """Equipment was calibrated: it passed and is good up to a day, or it failed. `certificate` is the key of a file
    that was attached, or the number of a paper one."""

    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="calibrations")
    at = models.DateTimeField()
    passed = models.BooleanField()
    due = models.DateField(null=True, blank=True)
    certificate = KeyField(unique=False, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(passed=True, due__isnull=False) | Q(passed=False, due=None),
                name="what_passed_calibration_has_a_due_date",
            )
        ]


class CheckPiece(models.Model):
    """A piece that is known to be good or bad, run on equipment in every shift to see that it tells the two apart. It
    belongs to a kind of equipment, or to one."""

    key = KeyField()
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=KIND_LENGTH, blank=True)
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="pieces")
    good = models.BooleanField(help_text="known good; else known bad")
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="", equipment__isnull=False) | ~Q(kind="") & Q(equipment=None),
                name="check_piece_of_a_kind_or_of_one",
            )
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class PieceCheck(models.Model):
    """A check piece was run, and what the equipment said of it. Right: good of a known good, bad of a known bad."""

    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="checks")
    piece = models.ForeignKey(CheckPiece, models.PROTECT, related_name="+")
    said_good = models.BooleanField()
    at = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["equipment", "at"], name="checks_of_equipment")]

    @property
    def right(self) -> bool:
        """Whether the equipment told the piece for what it is."""
        return self.said_good == self.piece.good


class Program(models.Model):
    """A program of a kind of equipment, in one revision."""

    key = KeyField()
    kind = models.CharField(max_length=KIND_LENGTH)
    name = models.CharField(max_length=120)
    revision = models.CharField(max_length=20)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.UniqueConstraint(fields=["kind", "name", "revision"], name="program_revision_once_for_a_kind")
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.revision}"


class ProgramLoad(models.Model):
    """A program on equipment, from `since` until another is loaded."""

    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="loads")
    program = models.ForeignKey(Program, models.PROTECT, related_name="+")
    since = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()

    class Meta:
        ordering = ["-since", "-id"]
        indexes = [models.Index(fields=["equipment", "since"], name="programs_on_equipment")]
