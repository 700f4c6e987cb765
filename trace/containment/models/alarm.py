"""One alarm, and the terms of its suspicion."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField


class Containment(models.Model):
    """The record of one alarm: what is wrong, on what evidence, from when it was opened until it was closed.

    Everything else of it points here: terms, snapshots of the population, holds, notices, what was found and cleared,
    rates.
    """

    key = KeyField()
    problem = models.CharField(max_length=300, help_text="what is wrong, in a sentence")
    evidence = models.CharField(max_length=300, blank=True, help_text="what is known, and from whom")
    opened = TickField()
    opened_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    closed = TickField(null=True, blank=True)
    closed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    close_reason = models.CharField(max_length=300, blank=True)
    close_recorded = TickField(null=True, blank=True)
    open_points = models.CharField(max_length=2000, blank=True, help_text="what was left open, and why")

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=~Q(problem=""), name="containment_names_its_problem"),
            models.CheckConstraint(
                condition=Q(closed=None, closed_by=None, close_reason="", close_recorded=None, open_points="")
                | Q(closed__isnull=False, closed_by__isnull=False, close_recorded__isnull=False) & ~Q(close_reason=""),
                name="containment_closed_with_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(closed=None) | Q(closed__gte=F("opened")), name="containment_runs_forward"
            ),
        ]

    def __str__(self) -> str:
        return self.key


class Join(models.TextChoices):
    """How a term is joined to the others: the population carries any of these, all of those, none of the last."""

    ANY = "any", "any of"
    ALL = "all", "all of"
    EXCEPT = "except", "except"


class Kind(models.TextChoices):
    """What a term suspects. What each takes stands in `containment/terms.py`."""

    LOT = "lot", "lot"
    CONTAINER = "container", "container"
    SUPPLIER = "supplier", "supplier"
    PART = "part", "part"
    CHARGE = "charge", "charge of a bath"
    TAPE = "tape", "tape"
    SETUP = "setup", "set-up"
    STATION = "station", "station"
    PERSON = "person", "person"
    EQUIPMENT = "equipment", "equipment"
    PROGRAM = "program", "program"
    CHARACTERISTIC = "characteristic", "characteristic"
    FAULT = "fault", "fault code"
    UNIT = "unit", "unit"


class Term(models.Model):
    """One thing that is suspected: a kind and the key of a thing, and as far as the kind takes them a window of time
    (`since..until`, microseconds), positions (`first..last`), date codes, a detail (of a characteristic its step and
    name, of a fault the designator, of a program its revision) and the way in which a measurement failed."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="terms")
    number = models.PositiveIntegerField()
    joined = models.CharField(max_length=6, choices=Join, default=Join.ANY)
    kind = models.CharField(max_length=14, choices=Kind)
    subject = KeyField(unique=False, max_length=120)
    since = TickField(null=True, blank=True)
    until = TickField(null=True, blank=True)
    first = TickField(null=True, blank=True)
    last = TickField(null=True, blank=True)
    codes_from = models.CharField(max_length=20, blank=True)
    codes_to = models.CharField(max_length=20, blank=True)
    detail = models.CharField(max_length=120, blank=True)
    way = models.CharField(max_length=8, blank=True)
    evidence = models.CharField(max_length=300, blank=True, help_text="why it is suspected")
    added = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)
    removed = TickField(null=True, blank=True)
    removed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    remove_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["containment", "number"]
        constraints = [
            models.UniqueConstraint(fields=["containment", "number"], name="terms_are_numbered"),
            models.CheckConstraint(
                condition=Q(since=None) | Q(until=None) | Q(since__lt=F("until")), name="term_window_runs_forward"
            ),
            models.CheckConstraint(
                condition=Q(first=None) | Q(last=None) | Q(first__lte=F("last")), name="term_positions_run_forward"
            ),
            models.CheckConstraint(
                condition=Q(removed=None, removed_by=None, remove_reason="")
                | Q(removed__isnull=False, removed_by__isnull=False) & ~Q(remove_reason=""),
                name="term_removed_with_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.subject}"
