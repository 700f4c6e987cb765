"""Cartons, pallets, shipments and customers."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.floor.models.units import Unit


class Customer(models.Model):
    """Who gets what is shipped."""

    key = KeyField()
    name = models.CharField(max_length=120)

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return self.name


class Carton(models.Model):
    """A package of finished units with its own label."""

    key = KeyField()
    made = TickField()

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return self.key


class Pallet(models.Model):
    """Closed cartons that are moved as one, with their own label."""

    key = KeyField()
    made = TickField()

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return self.key


class Shipment(models.Model):
    """Cartons that go to one customer together; gone once it has departed."""

    key = KeyField()
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="shipments")
    opened = TickField()
    departed = TickField(null=True, blank=True)
    departure_recorded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["key"]

    def __str__(self) -> str:
        return self.key

    @property
    def recalled(self) -> bool:
        """Whether it was recorded as sent, and never departed: nothing is on it since."""
        return self.departed is not None and all(load.until is not None for load in self.consignments.all())


class Packing(models.Model):
    """A unit in a carton, from `since` until `until`."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="packings")
    carton = models.ForeignKey(Carton, models.PROTECT, related_name="packings")
    since = TickField()
    until = TickField(null=True, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["unit"], condition=Q(until=None), name="unit_in_one_carton"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="packing_runs_forward"),
        ]


class Closing(models.Model):
    """A carton is closed, from `since` until it was opened again. `contents`: part keys and how many of each were
    counted in beside the units, in the order of the keys. `short` says why it has fewer units than it takes."""

    carton = models.ForeignKey(Carton, models.PROTECT, related_name="closings")
    since = TickField()
    until = TickField(null=True, blank=True)
    contents = models.JSONField(default=list, blank=True)
    short = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    opened_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    reason = models.CharField(max_length=300, blank=True, help_text="why it was opened")
    ended = TickField(null=True, blank=True, help_text="when its opening was recorded")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["carton"], condition=Q(until=None), name="carton_closed_once"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="closing_runs_forward"),
            models.CheckConstraint(
                condition=Q(until=None, opened_by=None, reason="", ended=None)
                | Q(until__isnull=False, opened_by__isnull=False, ended__isnull=False) & ~Q(reason=""),
                name="opening_is_signed_and_reasoned",
            ),
        ]


class Stacking(models.Model):
    """A closed carton on a pallet, from `since` until `until`."""

    carton = models.ForeignKey(Carton, models.PROTECT, related_name="stackings")
    pallet = models.ForeignKey(Pallet, models.PROTECT, related_name="stackings")
    since = TickField()
    until = TickField(null=True, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["carton"], condition=Q(until=None), name="carton_on_one_pallet"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="stacking_runs_forward"),
        ]


class Consignment(models.Model):
    """A carton on a shipment, by itself or with all that is on its pallet."""

    carton = models.ForeignKey(Carton, models.PROTECT, related_name="consignments")
    shipment = models.ForeignKey(Shipment, models.PROTECT, related_name="consignments")
    since = TickField()
    until = TickField(null=True, blank=True)
    recorded = TickField(default=now_ticks)
    ended = TickField(null=True, blank=True, help_text="when its end was recorded")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["carton"], condition=Q(until=None), name="carton_on_one_shipment"),
            models.CheckConstraint(condition=Q(until=None) | Q(until__gte=F("since")), name="consignment_runs_forward"),
        ]
