"""Work orders, units, passes and fittings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db import models
from django.db.models import F, Q

from trace.approvals.models import Deviation
from trace.core.clock import DAY, OPEN, now_ticks
from trace.core.errors import Refusal
from trace.core.models import KeyField, Person, TickField
from trace.engineering.equipment import Equipment
from trace.engineering.models import Part, Site, Station, Step
from trace.material.models import Axis, Container, Feed


class WorkOrder(models.Model):
    """So many of a part to build. Closed for a `reason`, none of its units is begun any more."""

    key = KeyField()
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, models.PROTECT, related_name="+")
    quantity = models.PositiveIntegerField()
    released = models.DateTimeField()
    due = models.DateField(null=True, blank=True, help_text="the day by which its units are to be finished")
    closed = TickField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why it was closed")

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="order_for_at_least_one"),
            models.CheckConstraint(condition=Q(closed=None) | ~Q(reason=""), name="order_closed_for_a_reason"),
        ]

    def __str__(self) -> str:
        return self.key


class Unit(models.Model):
    """One serialised thing. Its key is its serial, issued by the plant."""

    key = KeyField()
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    order = models.ForeignKey(WorkOrder, models.PROTECT, related_name="units")
    created = TickField()
    scrapped = TickField(null=True, blank=True)
    recorded = TickField(default=now_ticks)
    scrap_recorded = TickField(null=True, blank=True)
    by_designator = models.BooleanField(
        default=False,
        help_text="a part was fitted or removed by scan, or a step drew more than once or not surely: "
        "its places are judged one by one",
    )
    by_designator_recorded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return self.key


def tell(refusals: Iterable[Refusal]) -> list[list[str]]:
    """Refusals as an answer keeps them."""
    return [[one.code, one.extra.get("rule", ""), one.message, one.action] for one in refusals]


def tell_again(told: Iterable[Sequence[str]]) -> list[Refusal]:
    """The refusals that an answer kept."""
    refusals = []
    for code, rule, message, action in told:
        refusals.append(Refusal(message, action=action, rule=rule))
        refusals[-1].code = code
    return refusals


class Judged:
    """Of a record just made: what stops it, if anything. It counts then as not passed, whatever was said."""

    stopped: Sequence[Refusal] = ()

    def said(self) -> list[list[str]]:
        """What the answer says beside the row; the event keeps it, for whoever sends the same request again."""
        return tell(self.stopped)

    def say_again(self, said: list[list[str]]) -> None:
        """Take in what the first answer said."""
        self.stopped = tell_again(said)


class Pass(Judged, models.Model):
    """One visit of one unit to one station for one step.

    Somewhere in `first..last` of the axis the unit drew from the feeds of the set-ups of its
    `assembly` there; `began..ended` is the same on the clock. No axis: the step draws nothing. `last`
    and `ended` are `clock.OPEN` until a scan bounds them. `inside` is true while the unit is at the
    station. `length_class` is the bit length of `last - first`: with it a range query reads short
    passes tightly and long ones apart. What closed and bounded a pass is written into its row, with
    when that was recorded; any other change leaves the row as it was, superseded, and counts as
    recorded then. Nothing points at a pass, so that the table can be partitioned.
    """

    class Drew(models.TextChoices):
        ALL = "all", "all its designators"
        NONE = "none", "nothing"
        UNSURE = "unsure", "perhaps"

    class Outcome(models.TextChoices):
        NONE = "", "still inside"
        PASSED = "passed", "passed"
        FAILED = "failed", "failed"
        ABORTED = "aborted", "aborted"
        VOID = "void", "void: it never happened"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="passes", db_index=False)
    step = models.ForeignKey(Step, models.PROTECT, related_name="+", db_index=False)
    station = models.ForeignKey(Station, models.PROTECT, related_name="+", db_index=False)
    assembly = models.ForeignKey(Part, models.PROTECT, related_name="+", db_index=False)
    axis = models.ForeignKey(Axis, models.PROTECT, null=True, related_name="+", db_index=False)
    first = TickField()
    last = TickField(default=OPEN)
    length_class = models.PositiveSmallIntegerField()
    began = TickField()
    ended = TickField(default=OPEN)
    scanned_in = TickField(null=True, blank=True)
    scanned_out = TickField(null=True, blank=True)
    inside = models.BooleanField(default=False)
    drew = models.CharField(max_length=6, choices=Drew, default=Drew.ALL)
    only = models.JSONField(null=True, blank=True, help_text="the designators it drew, where the operator said which")
    outcome = models.CharField(max_length=7, choices=Outcome, blank=True, default=Outcome.NONE)
    rack = models.CharField(max_length=40, blank=True)
    error = TickField(default=0)
    sheet = models.CharField(max_length=40, blank=True, help_text="the paper sheet that it is a line of")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, related_name="+", db_index=False)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+", db_index=False)
    recorded = TickField()
    closed = TickField(null=True, blank=True, help_text="when its outcome was recorded")
    bounded = TickField(null=True, blank=True, help_text="when the scan that bounds it was recorded")
    superseded = TickField(null=True, blank=True)
    due_again = TickField(null=True, blank=True, help_text="from then on its step is due again: the unit was sent back")

    measured = False
    """Of an open pass: whether its step asks for readings."""

    samples = False
    """Of an open pass: whether rules choose samples among the units that pass its step."""

    has_children = True
    """Of an open pass: whether something is fitted in its unit; where nobody looked, something may be."""

    on_hold = True
    """Of an open pass: whether there is a hold on its unit or station; where nobody looked, there may be."""

    class Meta:
        verbose_name_plural = "passes"
        indexes = [
            models.Index(
                fields=["axis", "length_class", "first"],
                include=["last", "unit", "assembly"],
                condition=Q(axis__isnull=False),
                name="passes_on_axis",
            ),
            models.Index(fields=["unit", "began"], name="passes_of_unit"),
            models.Index(fields=["station", "began"], name="passes_at_station"),
            # Most last no longer than a day; those that do are looked for apart.
            models.Index(
                fields=["station", "ended"], condition=Q(ended__gt=F("began") + DAY), name="long_passes_at_station"
            ),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(inside=True, superseded=None), name="one_open_pass_per_unit"
            ),
            models.CheckConstraint(condition=Q(last__gte=F("first"), ended__gte=F("began")), name="pass_runs_forward"),
            models.CheckConstraint(condition=~Q(outcome__in=["void"]) | Q(drew="none"), name="void_pass_drew_none"),
            models.CheckConstraint(
                condition=Q(inside=True, outcome="") | Q(inside=False) & ~Q(outcome=""),
                name="pass_ends_with_an_outcome",
            ),
            models.CheckConstraint(condition=Q(error__gte=0), name="pass_error_not_negative"),
        ]


class Skip(models.Model):
    """A step that a unit skipped under a deviation: it counts as passed, from `at` on."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="skips")
    step = models.ForeignKey(Step, models.PROTECT, related_name="+")
    deviation = models.ForeignKey(Deviation, models.PROTECT, related_name="+")
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "step"], condition=Q(superseded=None), name="step_skipped_once_by_a_unit"
            )
        ]


class Fitting(models.Model):
    """A scan that says what occupies a designator of a unit, from `since` until `until`.

    `holds` says what: material of a container, material of a feed (at a position in
    `first..last`, from which its candidates follow), a serialised child, nothing (removed), or a child
    that is unknown. At a designator the latest event rules, draw or fitting.

    What was found, not put there by a scan, was surely there at `since` and perhaps from `earliest` on;
    what was found gone was surely there up to `doubted` and perhaps until `until`. Found and gone at one
    moment: it only may have been there.
    """

    class Holds(models.TextChoices):
        CONTAINER = "container", "material of a container"
        FEED = "feed", "material of a feed"
        CHILD = "child", "a serialised child"
        NOTHING = "nothing", "nothing"
        UNKNOWN = "unknown", "unknown"

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="fittings", db_index=False)
    designator = models.CharField(max_length=20)
    holds = models.CharField(max_length=9, choices=Holds)
    container = models.ForeignKey(Container, models.PROTECT, null=True, related_name="+")
    feed = models.ForeignKey(Feed, models.PROTECT, null=True, related_name="+")
    first = TickField(null=True, blank=True)
    last = TickField(null=True, blank=True)
    child = models.ForeignKey(Unit, models.PROTECT, null=True, related_name="homes")
    parent_level = models.PositiveSmallIntegerField()
    child_level = models.PositiveSmallIntegerField(null=True, blank=True)
    since = TickField()
    until = TickField(null=True, blank=True)
    error = TickField(default=0)
    earliest = TickField(null=True, blank=True, help_text="it was found there, and may have been there since then")
    doubted = TickField(null=True, blank=True, help_text="it was found gone, and may have been gone since then")
    reason = models.CharField(max_length=300, blank=True)
    goes_to = models.CharField(max_length=60, blank=True, help_text="of what was removed: where it goes")
    deviation = models.ForeignKey(
        Deviation, models.PROTECT, null=True, related_name="+", help_text="which let it be used before its release"
    )
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["unit", "designator", "since"], name="fittings_of_unit"),
            models.Index(fields=["feed", "first"], condition=Q(feed__isnull=False), name="fittings_from_feed"),
            models.Index(fields=["child"], condition=Q(doubted__isnull=False), name="fittings_doubted"),
            models.Index(fields=["since"], condition=Q(holds="unknown", superseded=None), name="unknown_children"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["child"],
                condition=Q(child__isnull=False, until=None, superseded=None),
                name="child_in_one_parent",
            ),
            models.UniqueConstraint(
                fields=["unit", "designator"],
                condition=Q(until=None, superseded=None),
                name="one_fitting_per_designator",
            ),
            models.CheckConstraint(
                condition=Q(child_level=None) | Q(child_level__lt=F("parent_level")),
                name="fitted_child_level_below_parent",
            ),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="fitting_runs_forward"),
            models.CheckConstraint(condition=Q(error__gte=0), name="fitting_error_not_negative"),
            models.CheckConstraint(
                condition=Q(earliest=None) | Q(earliest__lte=F("since")), name="fitting_found_after_earliest"
            ),
            models.CheckConstraint(
                condition=Q(doubted=None) | Q(until__isnull=False, doubted__gte=F("since"), doubted__lte=F("until")),
                name="fitting_doubted_before_its_end",
            ),
            models.CheckConstraint(
                condition=Q(holds="container", container__isnull=False, feed=None, child=None, child_level=None)
                | Q(
                    holds="feed",
                    container=None,
                    feed__isnull=False,
                    first__isnull=False,
                    last__isnull=False,
                    child=None,
                    child_level=None,
                )
                | Q(holds="child", container=None, feed=None, child__isnull=False, child_level__isnull=False)
                | Q(holds__in=["nothing", "unknown"], container=None, feed=None, child=None, child_level=None),
                name="fitting_holds_one_thing",
            ),
        ]


class Salvage(models.Model):
    """A part taken out of a unit's designator into a container, to be used again."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="salvages")
    designator = models.CharField(max_length=20)
    result = models.ForeignKey(Container, models.PROTECT, related_name="+")
    at = TickField()
    error = TickField(default=0)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["designator"], condition=Q(superseded=None), name="salvages_by_designator")]
        constraints = [models.CheckConstraint(condition=Q(error__gte=0), name="salvage_error_not_negative")]


class LooseSighting(models.Model):
    """A unit was scanned where it is fitted in nothing: on a bench, in a rack."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="sightings")
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
