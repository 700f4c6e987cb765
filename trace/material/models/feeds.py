"""Feeds, what was done at them, and the spans that follow from it."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.approvals.models import Deviation
from trace.core.clock import OPEN, now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.engineering.models import Part, Station
from trace.material.models.stock import Container


class Tape(models.Model):
    """A sequenced tape: components in the order one board needs them, board set after board set.

    A board set's components stand as links of a chain, `links` to a board set.
    """

    key = KeyField()
    assembly = models.ForeignKey(Part, models.PROTECT, related_name="+")
    links = models.PositiveIntegerField()
    board_sets = models.PositiveIntegerField(help_text="board sets it holds, or is planned to")
    built_from = TickField()
    built_until = TickField(default=OPEN)
    recorded = TickField(default=now_ticks)
    planned = models.PositiveIntegerField(
        null=True, blank=True, help_text="board sets planned before they were counted"
    )
    finished = TickField(null=True, blank=True, help_text="when the count was recorded")
    aborted = models.CharField(max_length=300, blank=True, help_text="why it was given up; it goes on no machine")
    station = models.ForeignKey(
        Station, models.PROTECT, null=True, blank=True, related_name="+", help_text="the sequencer that builds it"
    )

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=Q(links__gt=0), name="tape_has_links"),
            models.CheckConstraint(condition=Q(built_until__gte=F("built_from")), name="tape_built_forward"),
            models.CheckConstraint(condition=Q(aborted="") | Q(built_until__lt=OPEN), name="tape_aborted_is_ended"),
        ]

    def __str__(self) -> str:
        return self.key

    @property
    def stands_at(self) -> Station | None:
        """The station at which it and its heads are while it is built; then it goes from machine to machine."""
        return self.station if self.built_until == OPEN else None


class Axis(models.Model):
    """The order in which feeds give: a station's clock or cycle count, or a tape's board sets.

    `slack`: on a clock, by how much a position may differ from its moment, because a line of a paper
    sheet has the place that its order gives it.
    """

    class Kind(models.TextChoices):
        CLOCK = "clock", "clock, microseconds"
        COUNT = "count", "machine cycles"
        TAPE = "tape", "board sets"

    kind = models.CharField(max_length=5, choices=Kind)
    station = models.OneToOneField(Station, models.PROTECT, null=True, related_name="+")
    tape = models.OneToOneField(Tape, models.PROTECT, null=True, related_name="+")
    slack = TickField(default=0)

    class Meta:
        verbose_name_plural = "axes"
        constraints = [
            models.CheckConstraint(condition=Q(slack=0) | Q(kind="clock", slack__gt=0), name="only_a_clock_has_slack"),
            models.CheckConstraint(
                condition=Q(kind="tape", tape__isnull=False, station=None)
                | Q(kind__in=["clock", "count"], station__isnull=False, tape=None),
                name="axis_of_station_or_tape",
            ),
        ]

    @property
    def stands_at(self) -> Station | None:
        """The station of its feeds."""
        return self.tape.stands_at if self.tape else self.station


class AxisSlack(models.Model):
    """What an axis's slack became, and when that was recorded: it only ever grows."""

    axis = models.ForeignKey(Axis, models.PROTECT, related_name="slacks")
    slack = TickField()
    recorded = TickField(default=now_ticks)


class Feed(models.Model):
    """One supply place: a feeder slot or bin at a station, a dispensing head of a tape, a bath.

    `unsettled` is set while some end on it still waits for draws; each pass then reckons it anew.
    """

    class Kind(models.TextChoices):
        SLOT = "slot", "feeder slot"
        BIN = "bin", "bin"
        HEAD = "head", "dispensing head"
        BATH = "bath", "bath"

    key = KeyField()
    kind = models.CharField(max_length=4, choices=Kind, default=Kind.SLOT)
    axis = models.ForeignKey(Axis, models.PROTECT, related_name="feeds")
    distance = models.IntegerField(default=0, help_text="of a head along the chain, in links")
    unsettled = models.BooleanField(default=False)
    clear_within = models.PositiveIntegerField(
        null=True, blank=True, help_text="days within which it must be counted or cleared; empty: never asked for"
    )

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=Q(kind="head") | Q(distance=0), name="only_a_head_has_a_distance")
        ]

    def __str__(self) -> str:
        return self.key


class SetUp(models.Model):
    """Which feed serves which designators of an assembly, on one axis, over a range of positions.

    Those of an assembly on an axis follow each other, without a gap unless one was ended before the next. The first
    reaches back to the beginning: what passed there before it was recorded drew from what it serves, if from anything.
    """

    key = KeyField()
    assembly = models.ForeignKey(Part, models.PROTECT, related_name="+")
    axis = models.ForeignKey(Axis, models.PROTECT, related_name="setups")
    first = TickField()
    end = TickField(default=OPEN)
    started = TickField(default=now_ticks, help_text="the moment of the changeover")
    by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+", help_text="who started it")
    recorded = TickField(default=now_ticks)
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")

    class Meta:
        verbose_name = "set-up"
        indexes = [models.Index(fields=["axis", "assembly", "first"], name="setups_in_order")]
        constraints = [
            models.UniqueConstraint(
                fields=["axis", "assembly"], condition=Q(end=OPEN), name="one_open_setup_per_assembly"
            ),
            models.CheckConstraint(condition=Q(end__gte=F("first")), name="setup_runs_forward"),
        ]

    def __str__(self) -> str:
        return self.key


class SetUpLine(models.Model):
    """One designator of a set-up and the feed that serves it; on a tape, its link in the board set."""

    setup = models.ForeignKey(SetUp, models.PROTECT, related_name="lines")
    feed = models.ForeignKey(Feed, models.PROTECT, related_name="lines")
    designator = models.CharField(max_length=20)
    link = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        verbose_name = "set-up line"
        constraints = [
            models.UniqueConstraint(fields=["setup", "designator"], name="one_feed_per_designator"),
            models.UniqueConstraint(
                fields=["setup", "link"], condition=Q(link__isnull=False), name="one_designator_per_link"
            ),
        ]


class FeedRecord(models.Model):
    """What somebody did or saw at a feed: the evidence from which its spans are reckoned.

    It happened at a position in `first..last` of the feed's axis (a range where the moment is not
    exact). Records may arrive late and in any order; a correction supersedes.
    """

    class Act(models.TextChoices):
        LOAD = "load", "emptied, then loaded"
        SPLICE = "splice", "spliced on"
        TOP_UP = "top-up", "poured on the old"
        CLEAR = "clear", "emptied"
        TAKE_OFF = "take-off", "taken off, back to stock"
        CHARGE = "charge", "charged into the bath"
        DUMP = "dump", "bath dumped"
        HAND_FILL = "hand-fill", "place filled by hand"
        FOUND = "found", "found there, its change not recorded"
        SIGHTING = "sighting", "seen there by a verification scan"
        SEEN_AWAY = "seen-away", "seen elsewhere: it had left"

    feed = models.ForeignKey(Feed, models.PROTECT, related_name="records", db_index=False)
    act = models.CharField(max_length=10, choices=Act)
    container = models.ForeignKey(Container, models.PROTECT, null=True, related_name="feed_records")
    first = TickField()
    last = TickField()
    lead = models.PositiveIntegerField(null=True, blank=True, help_text="splice: parts between it and the pick-up")
    tolerance = models.PositiveIntegerField(
        null=True, blank=True, help_text="splice: within how many parts the lead is known"
    )
    quantity = models.PositiveIntegerField(
        null=True, blank=True, help_text="parts put on, at most (with the count's tolerance)"
    )
    at_least = models.PositiveIntegerField(null=True, blank=True, help_text="parts put on, at least, where counted")
    left = models.PositiveIntegerField(
        null=True, blank=True, help_text="top-up: parts left over underneath, at most, where counted"
    )
    cleaned = models.BooleanField(default=False, help_text="dump: no heel left")
    happened = TickField()
    error = TickField(default=0)
    sheet = models.CharField(max_length=40, blank=True, help_text="the paper sheet that it is a line of")
    deviation = models.ForeignKey(
        Deviation, models.PROTECT, null=True, related_name="+", help_text="which let it be used before its release"
    )
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["feed", "first"], name="feed_records_in_order"),
            models.Index(fields=["feed", "happened"], name="feed_records_by_moment"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(error__gte=0), name="feed_record_error_not_negative"),
            models.CheckConstraint(
                condition=Q(at_least=None) | Q(quantity__isnull=False, at_least__lte=F("quantity")),
                name="feed_record_counts_in_order",
            ),
            models.CheckConstraint(condition=Q(last__gte=F("first")), name="feed_record_runs_forward"),
            models.CheckConstraint(
                condition=Q(act="splice", lead__isnull=False, tolerance__isnull=False)
                | ~Q(act="splice") & Q(lead=None, tolerance=None),
                name="splice_states_its_lead",
            ),
            models.CheckConstraint(
                condition=Q(container__isnull=False) | Q(act__in=["clear", "dump"]),
                name="feed_record_names_container",
            ),
        ]


class Span(models.Model):
    """The positions `first <= p < end` of a feed that one container may have supplied.

    Reckoned from the feed's records and draws; a reckoning that changes a span supersedes it, so
    that what was believed on any day stays readable. `container` None is unknown. `since..until`
    are the moments between which it was on the feed. On a bath a charge is certain to be in from
    `sure_from` on, None where it never is. What may have come from the feed at a position began no
    earlier than `oldest` of the last span that began by then, however long the feed's history is.
    `axis` is the feed's.
    """

    feed = models.ForeignKey(Feed, models.PROTECT, related_name="spans")
    axis = models.ForeignKey(Axis, models.PROTECT, related_name="+", db_index=False)
    container = models.ForeignKey(Container, models.PROTECT, null=True, related_name="spans")
    first = TickField()
    end = TickField()
    sure_from = TickField(null=True, blank=True)
    since = TickField()
    until = TickField()
    oldest = TickField()
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["feed", "first"],
                include=["end", "container", "oldest"],
                condition=Q(superseded=None),
                name="spans_of_feed",
            ),
            models.Index(
                fields=["feed", "end"],
                include=["first", "container"],
                condition=Q(superseded=None),
                name="spans_by_end",
            ),
            models.Index(
                fields=["axis", "end", "feed", "first", "container"],
                condition=Q(superseded=None),
                name="spans_of_axis",
            ),
            models.Index(fields=["container"], condition=Q(superseded=None), name="spans_of_container"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(end__gt=F("first")), name="span_not_empty"),
            models.CheckConstraint(condition=Q(oldest__lte=F("first")), name="span_oldest_first"),
            models.CheckConstraint(condition=Q(sure_from=None) | Q(sure_from__gte=F("first")), name="span_sure_inside"),
        ]
