"""The population as it was reckoned at a moment: kept, so that it can be shown later what was known when."""

from __future__ import annotations

from django.db import models

from trace.containment.models.alarm import Containment
from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.floor.models import Unit


class Snapshot(models.Model):
    """A population, numbered; `event` is the last entry of the ledger that it knew. The counts are of outermost
    units."""

    containment = models.ForeignKey(Containment, models.PROTECT, related_name="snapshots")
    number = models.PositiveIntegerField()
    taken = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    event = models.BigIntegerField()
    why = models.CharField(max_length=120, help_text="what it was taken for")
    certain = models.PositiveIntegerField()
    possible = models.PositiveIntegerField()
    cleared = models.PositiveIntegerField()
    shipped = models.PositiveIntegerField()
    customers = models.PositiveIntegerField()
    recorded = TickField(default=now_ticks)

    class Meta:
        ordering = ["containment", "number"]
        constraints = [models.UniqueConstraint(fields=["containment", "number"], name="snapshots_are_numbered")]

    @property
    def units(self) -> int:
        """Certain and possible together."""
        return self.certain + self.possible

    def __str__(self) -> str:
        return f"{self.containment} snapshot {self.number}"


class SnapshotUnit(models.Model):
    """A unit of a snapshot's population, as it stood there: of which part (its key), how sure, why only possible, in
    which outermost unit, and where that was (in words; the kind of place and the thing there; carton, pallet, shipment
    and customer). `outermost` says that it was in no other: what pages count and filter by is in the row itself, as a
    snapshot may have a hundred thousand."""

    snapshot = models.ForeignKey(Snapshot, models.PROTECT, related_name="carriers", db_index=False)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="+")
    part = models.CharField(max_length=40)
    top = KeyField(unique=False)
    outermost = models.BooleanField()
    sureness = models.CharField(max_length=8)
    reasons = models.CharField(max_length=60, blank=True)
    direct = models.BooleanField()
    place = models.CharField(max_length=12)
    place_key = models.CharField(max_length=40, blank=True)
    carton = models.CharField(max_length=40, blank=True)
    pallet = models.CharField(max_length=40, blank=True)
    shipment = models.CharField(max_length=40, blank=True)
    customer = models.CharField(max_length=40, blank=True)
    step = models.PositiveIntegerField(default=0)
    since = TickField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["snapshot", "unit"], name="unit_once_in_a_snapshot")]
        indexes = [models.Index(fields=["snapshot", "id"], name="snapshot_units_in_order")]

    def __str__(self) -> str:
        return f"{self.unit} in {self.snapshot}"


class SnapshotStock(models.Model):
    """Suspect material of a snapshot that was in the plant and in no unit yet."""

    snapshot = models.ForeignKey(Snapshot, models.PROTECT, related_name="stock")
    kind = models.CharField(max_length=12)
    key = KeyField(unique=False)
    part = models.CharField(max_length=40)
    lot = models.CharField(max_length=120, blank=True)
    place = models.CharField(max_length=300)
    quantity = models.DecimalField(max_digits=18, decimal_places=6, null=True)
    wholly = models.BooleanField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["snapshot", "kind", "key"], name="stock_once_in_a_snapshot")]

    def __str__(self) -> str:
        return f"{self.kind} {self.key} in {self.snapshot}"
