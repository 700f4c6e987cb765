"""Shifts and days off, as they are kept: what held on a day in the past stays readable."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q


class Shift(models.Model):
    """A shift of the plant, for the days from `since` up to before `until`."""

    name = models.CharField(max_length=40)
    weekdays = models.JSONField(help_text="on which it begins: names, Monday to Sunday")
    begins = models.TimeField(help_text="in the plant's time")
    ends = models.TimeField(help_text="in the plant's time; on the next day where it is not later than the beginning")
    since = models.DateField()
    until = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["since", "begins"]
        constraints = [
            models.UniqueConstraint(fields=["name"], condition=Q(until=None), name="one_shift_of_a_name"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="shift_holds_forward"),
        ]

    def __str__(self) -> str:
        return self.name


class DayOff(models.Model):
    """A day on which no shift begins."""

    day = models.DateField()
    name = models.CharField(max_length=60)
    withdrawn = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["day"]
        verbose_name = "day off"
        verbose_name_plural = "days off"
        constraints = [models.UniqueConstraint(fields=["day"], condition=Q(withdrawn=None), name="day_off_once")]

    def __str__(self) -> str:
        return f"{self.day} {self.name}"
