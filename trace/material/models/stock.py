"""Lots, containers, and what was filled from what."""

from __future__ import annotations

from datetime import UTC, datetime

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.engineering.equipment import Equipment
from trace.engineering.models import Part
from trace.engineering.moisture import DAMP_CABINET, DRY_CABINET, DRY_PACK


class Supplier(models.Model):
    """Who delivers lots. The plant itself is one, for what it makes or mixes."""

    key = KeyField()
    name = models.CharField(max_length=120)
    is_plant = models.BooleanField(default=False)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.UniqueConstraint(fields=["is_plant"], condition=Q(is_plant=True), name="plant_supplies_once")
        ]

    def __str__(self) -> str:
        return self.name


class Source(models.Model):
    """That a supplier may deliver a part, under the number that the supplier gives it."""

    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="sources")
    number = models.CharField(max_length=60, help_text="the supplier's part number, as on its labels")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why it was withdrawn")

    class Meta:
        verbose_name = "approved source"
        ordering = ["part", "supplier", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["supplier", "number"], condition=Q(until=None), name="one_part_by_a_suppliers_number"
            ),
            models.CheckConstraint(
                condition=Q(until=None) | Q(until__gte=F("since")), name="source_ends_after_it_began"
            ),
            models.CheckConstraint(condition=Q(until=None) | ~Q(reason=""), name="source_withdrawn_for_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.part.key} by {self.supplier.key} as {self.number}"


class Lot(models.Model):
    """What a supplier delivered, or the plant made or mixed, under one lot number.

    `status` stands from `status_since` on (None: since it came); its history is in LotStatus. What comes later of a lot
    that is decided is a lot of its own here, another `delivery`.
    """

    class Status(models.TextChoices):
        QUARANTINED = "quarantined", "quarantined"
        RELEASED = "released", "released"
        REJECTED = "rejected", "rejected"
        RETURNED = "returned", "returned to the supplier"

    key = KeyField()
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="lots")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    number = models.CharField(max_length=60)
    date_code = models.CharField(max_length=10, blank=True)
    expiry = models.DateField(null=True, blank=True)
    delivery = models.PositiveSmallIntegerField(default=1)
    received = models.DateTimeField()
    status = models.CharField(max_length=11, choices=Status, default=Status.RELEASED)
    status_since = TickField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        indexes = [
            models.Index(fields=["number"], name="lot_by_number"),
            models.Index(fields=["status"], condition=~Q(status="released"), name="lots_not_released"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["supplier", "part", "number", "date_code", "delivery"], name="lot_received_under_one_record"
            )
        ]

    def __str__(self) -> str:
        return self.key

    def expired(self, at: datetime) -> bool:
        """Whether its last day, which ends with the day of UTC, is over at a moment."""
        return self.expiry is not None and self.expiry < at.astimezone(UTC).date()


class Container(models.Model):
    """A physical package with its own label.

    `own` says that it holds content received or made under its lot, besides what derivations
    filled into it. `quantity` is what it held when it came into being, None where nobody counted.
    """

    class Kind(models.TextChoices):
        REEL = "reel", "reel"
        AMMO = "ammo box", "ammo box"
        TRAY = "tray", "tray"
        TUBE = "tube", "tube"
        BAG = "bag", "bag"
        BOX = "box", "box"
        BAR = "bar", "bar"

    key = KeyField()
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="containers")
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.REEL)
    own = models.BooleanField(default=True)
    quantity = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    tolerance = models.DecimalField(max_digits=14, decimal_places=4, default=0)
    received = TickField(help_text="when it came into being in the plant, microseconds")
    gone = TickField(null=True, blank=True, help_text="when it left for good: scrapped, returned")
    exposed = TickField(
        null=True,
        blank=True,
        help_text="of what it holds nothing began to lie open before, were there no pause",
    )
    store = models.CharField(max_length=60, blank=True)
    receipt = models.ForeignKey(
        "Receipt", models.PROTECT, null=True, blank=True, related_name="containers", help_text="as what it was received"
    )
    recorded = TickField(default=now_ticks)
    gone_recorded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity=None) | Q(quantity__gte=0), name="container_quantity_not_negative"
            ),
            models.CheckConstraint(condition=Q(tolerance__gte=0), name="container_tolerance_positive"),
            models.CheckConstraint(
                condition=Q(gone=None) | Q(gone__gte=F("received")), name="container_gone_after_received"
            ),
        ]

    def __str__(self) -> str:
        return self.key


class Derivation(models.Model):
    """A container filled from another at a moment: split, remainder, merge, batch, re-reel.

    The source is suspect for the result only from `at` on. A source of None is unknown material.
    Remainders taken off a feed have a row for every candidate that was on it, and carry the feed
    record that took them off; they are reckoned anew with that feed's spans.
    """

    class Deed(models.TextChoices):
        SPLIT = "split", "split off"
        RE_REEL = "re-reel", "re-reeled"
        REMAINDER = "remainder", "remainder taken off a feed"
        MERGE = "merge", "merged"
        BATCH = "batch", "batch made in house"

    result = models.ForeignKey(Container, models.PROTECT, related_name="sources")
    source = models.ForeignKey(Container, models.PROTECT, null=True, related_name="results")
    deed = models.CharField(max_length=10, choices=Deed)
    quantity = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    at = TickField()
    error = TickField(default=0)
    record = models.ForeignKey("FeedRecord", models.PROTECT, null=True, related_name="remainders")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(source=None) | ~Q(source=F("result")), name="container_not_derived_from_itself"
            ),
            models.CheckConstraint(
                condition=Q(source__isnull=False) | Q(deed="remainder"), name="only_a_remainder_is_of_unknown"
            ),
        ]


class BagRecord(models.Model):
    """What was done with the dry pack of a container that is sensitive to moisture: the evidence of its floor life.

    Records may arrive late and in any order; a correction supersedes. Of a bake `at` is its end.
    """

    class Act(models.TextChoices):
        OPENED = "opened", "opened"
        SEALED = "sealed", "sealed dry"
        BAKED = "baked", "baked"

    class Storage(models.TextChoices):
        DRY_PACK = DRY_PACK, "dry pack, with fresh desiccant and indicator card"
        DRY_CABINET = DRY_CABINET, "dry cabinet, at most 5 % RH"
        DAMP_CABINET = DAMP_CABINET, "dry cabinet, at most 10 % RH"

    container = models.ForeignKey(Container, models.PROTECT, related_name="bag_records")
    act = models.CharField(max_length=6, choices=Act)
    at = TickField()
    storage = models.CharField(max_length=13, choices=Storage, blank=True)
    temperature = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True, help_text="of a bake, °C")
    hours = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True, help_text="of a bake")
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(act="sealed") & ~Q(storage="") | ~Q(act="sealed") & Q(storage=""),
                name="sealed_bag_says_how_it_is_kept",
            ),
            models.CheckConstraint(
                condition=Q(
                    act="baked", temperature__isnull=False, hours__isnull=False, hours__gt=0, equipment__isnull=False
                )
                | ~Q(act="baked") & Q(temperature=None, hours=None, equipment=None),
                name="bake_states_oven_heat_and_time",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.container.key} {self.get_act_display()}"
