"""What units go together in, and lots without serials on their route."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.errors import Refusal
from trace.core.models import KeyField, Person, TickField
from trace.engineering.equipment import Equipment
from trace.engineering.models import Part, Station, Step
from trace.floor.models.units import Judged, Unit, tell, tell_again
from trace.material.models import Container, Count, ScrappedParts


class LeftBehind(NamedTuple):
    """A unit that did not go with its carrier: its serial, the slot it stood in, everything that stops it."""

    unit: str
    slot: int
    refusals: list[Refusal]


class Carrier(models.Model):
    """What units go together in under one label: its code scanned at a station stands for all that is in it.

    One concept in two kinds. A *rack* has slots, into which units are put and from which they are taken; those that the
    interlock stops stay behind, the others go. A *panel* is of a part whose panel places say which board stands where:
    its boards go as one, all or none but for those scrapped in it, until it is parted, for good. What differs between
    the two is data: `part` (whose places the slots are) and `parted`. `ordered`: its units go one by one in the order
    of the slots, so that on a counted axis each has positions of its own.
    """

    class Kind(models.TextChoices):
        RACK = "rack", "rack"
        PANEL = "panel", "panel"

    key = KeyField()
    kind = models.CharField(max_length=5, choices=Kind)
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="+", help_text="of a panel")
    slots = models.PositiveSmallIntegerField(help_text="of a panel: the highest number of a place")
    ordered = models.BooleanField(default=False, help_text="its units go in the order of the slots")
    made = TickField()
    recorded = TickField(default=now_ticks)
    parted = TickField(null=True, blank=True)
    parted_recorded = TickField(null=True, blank=True)

    went: Sequence[str] = ()
    """Of a carrier just scanned: the serials of those that went."""
    behind: Sequence[LeftBehind] = ()
    """… and those that did not."""

    class Meta:
        verbose_name = "rack or panel"
        verbose_name_plural = "racks and panels"
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=Q(slots__gt=0), name="carrier_has_slots"),
            models.CheckConstraint(
                condition=Q(kind="rack", part=None, parted=None) | Q(kind="panel", part__isnull=False),
                name="carrier_is_rack_or_panel",
            ),
            models.CheckConstraint(condition=Q(parted=None) | Q(parted__gte=F("made")), name="panel_parted_after_made"),
        ]

    def __str__(self) -> str:
        return self.key

    @property
    def goes_as_one(self) -> bool:
        """Whether none of its units goes without the others."""
        return self.kind == self.Kind.PANEL

    def said(self) -> dict[str, list]:
        """What the answer says beside the row: who went, who did not and why."""
        return {
            "went": list(self.went),
            "behind": [[unit, slot, tell(refusals)] for unit, slot, refusals in self.behind],
        }

    def say_again(self, said: dict[str, list]) -> None:
        """Take in what the first answer said."""
        self.went = said["went"]
        self.behind = [LeftBehind(unit, slot, tell_again(told)) for unit, slot, told in said["behind"]]


class Carried(models.Model):
    """A unit in a slot of a rack, or a board in a place of a panel, from `since` until `until`."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="carried")
    carrier = models.ForeignKey(Carrier, models.PROTECT, related_name="carried")
    slot = models.PositiveSmallIntegerField()
    since = TickField()
    until = TickField(null=True, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")
    superseded = TickField(null=True, blank=True)

    class Meta:
        verbose_name = "place in a rack or panel"
        verbose_name_plural = "places in racks and panels"
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(until=None, superseded=None), name="unit_in_one_carrier"
            ),
            models.UniqueConstraint(
                fields=["carrier", "slot"], condition=Q(until=None, superseded=None), name="one_unit_in_a_slot"
            ),
            models.CheckConstraint(condition=Q(slot__gt=0), name="slots_from_one"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="carried_runs_forward"),
        ]

    def __str__(self) -> str:
        return f"{self.unit.key} in slot {self.slot} of {self.carrier.key}"


class BatchPass(Judged, models.Model):
    """The content of a container went through a step of its part's route: so many in, so many good, the rest scrapped.

    `passed` where nothing stopped it; what was stopped after the work has been at the station all the same, and the
    step stays due. It was at the station somewhere in `began..ended` (microseconds, the error of the times in it): from
    its scan in, or where there was none, from its last record before. `count` and `scrap` are what the record goes on
    with.
    """

    container = models.ForeignKey(Container, models.PROTECT, related_name="+")
    step = models.ForeignKey(Step, models.PROTECT, related_name="+")
    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    quantity = models.DecimalField(max_digits=14, decimal_places=4, help_text="how many went in")
    good = models.DecimalField(max_digits=14, decimal_places=4)
    scrapped = models.DecimalField(max_digits=14, decimal_places=4)
    passed = models.BooleanField(default=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why some were scrapped, or the count differs")
    began = TickField()
    ended = TickField()
    scanned_in = TickField(null=True, blank=True)
    scanned_out = TickField()
    error = TickField(default=0)
    count = models.ForeignKey(Count, models.PROTECT, related_name="+")
    scrap = models.ForeignKey(ScrappedParts, models.PROTECT, null=True, blank=True, related_name="+")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        verbose_name = "pass of a batch"
        verbose_name_plural = "passes of batches"
        ordering = ["ended", "id"]
        indexes = [
            models.Index(fields=["station", "ended"], name="batches_at_station"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0, good__gte=0, scrapped__gte=0, quantity=F("good") + F("scrapped")),
                name="batch_counts_add_up",
            ),
            models.CheckConstraint(condition=Q(ended__gte=F("began")), name="batch_pass_runs_forward"),
            models.CheckConstraint(condition=Q(error__gte=0), name="batch_pass_error_not_negative"),
            models.CheckConstraint(condition=Q(scrapped=0) | ~Q(reason=""), name="batch_scrapped_for_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.container.key} through {self.step}"
