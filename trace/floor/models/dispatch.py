"""Cartons, shipments and customers."""

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


class Consignment(models.Model):
    """A carton on a shipment."""

    carton = models.ForeignKey(Carton, models.PROTECT, related_name="consignments")
    shipment = models.ForeignKey(Shipment, models.PROTECT, related_name="consignments")
    since = TickField()
    until = TickField(null=True, blank=True)
    recorded = TickField(default=now_ticks)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["carton"], condition=Q(until=None), name="carton_on_one_shipment")
        ]
