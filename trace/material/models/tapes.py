"""What is done with a sequenced tape as a whole: where its building stood, what was measured and found, where it is."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.clock import OPEN, now_ticks
from trace.core.models import Person, TickField
from trace.engineering.models import Station
from trace.material.models.feeds import Feed, Tape
from trace.material.models.stock import Container


class TapeStop(models.Model):
    """The building of a tape stood, once `first` to `last` links of its chain had passed the reference.

    A range where only the board set was read, and a long one where nobody read it yet. Each tape stands from when it
    is planned until it first runs.
    """

    tape = models.ForeignKey(Tape, models.PROTECT, related_name="stops")
    first = TickField()
    last = TickField()
    reason = models.CharField(max_length=300)
    since = TickField()
    until = TickField(default=OPEN)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    ended_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    recorded = TickField(default=now_ticks)
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")

    class Meta:
        ordering = ["tape", "since", "id"]
        constraints = [
            models.UniqueConstraint(fields=["tape"], condition=Q(until=OPEN), name="tape_stands_once"),
            models.CheckConstraint(
                condition=Q(first__gte=0, last__gte=F("first"), until__gte=F("since")), name="tape_stop_runs_forward"
            ),
        ]

    @property
    def is_read(self) -> bool:
        """Whether somebody read at which board set it was."""
        return self.last - self.first < self.tape.links


class EmptyPlace(models.Model):
    """A place of a tape that a dispensing head left empty: its designator in a board set."""

    feed = models.ForeignKey(Feed, models.PROTECT, related_name="empty_places")
    designator = models.CharField(max_length=20)
    board_set = models.PositiveIntegerField()
    happened = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)

    class Meta:
        ordering = ["feed", "board_set", "id"]
        constraints = [
            models.UniqueConstraint(fields=["feed", "designator", "board_set"], name="place_found_empty_once"),
        ]


class TapeReading(models.Model):
    """What was measured while a tape was built: of a component that a head gave, or of the tape itself.

    The limits are those that it was judged by.
    """

    tape = models.ForeignKey(Tape, models.PROTECT, related_name="readings")
    feed = models.ForeignKey(Feed, models.PROTECT, null=True, related_name="readings")
    container = models.ForeignKey(Container, models.PROTECT, null=True, related_name="+")
    name = models.CharField(max_length=120)
    value = models.DecimalField(max_digits=18, decimal_places=6)
    unit_of_measure = models.CharField(max_length=20)
    lower = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    upper = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    happened = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)

    class Meta:
        ordering = ["tape", "happened", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(feed=None, container=None) | Q(feed__isnull=False, container__isnull=False),
                name="tape_reading_of_a_component_or_the_tape",
            ),
            models.CheckConstraint(
                condition=Q(lower__isnull=False) | Q(upper__isnull=False), name="tape_reading_has_a_limit"
            ),
        ]

    @property
    def good(self) -> bool:
        """Whether it lies within its limits."""
        return (self.lower is None or self.value >= self.lower) and (self.upper is None or self.value <= self.upper)


class Mount(models.Model):
    """A tape on an insertion machine, from board set `first` on; `end` was the next one where it came off."""

    tape = models.ForeignKey(Tape, models.PROTECT, related_name="mounts")
    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    first = TickField()
    end = TickField(default=OPEN)
    since = TickField()
    until = TickField(default=OPEN)
    reason = models.CharField(max_length=300, blank=True, help_text="why it did not go on at the board set expected")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    taken_off_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    recorded = TickField(default=now_ticks)
    ended = TickField(null=True, blank=True, help_text="when its coming off was recorded")

    class Meta:
        ordering = ["tape", "since", "id"]
        constraints = [
            models.UniqueConstraint(fields=["tape"], condition=Q(until=OPEN), name="tape_mounted_once"),
            models.UniqueConstraint(fields=["station"], condition=Q(until=OPEN), name="one_tape_mounted_at_a_station"),
            models.CheckConstraint(
                condition=Q(first__gte=0, end__gte=0, until__gte=F("since")), name="mount_runs_forward"
            ),
        ]
