"""How much is there: what somebody counted, what was scrapped of a container, what stations call for."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import KeyField, Person, TickField
from trace.engineering.models import Part, Station
from trace.material.models.stock import Container


class Count(models.Model):
    """What somebody found in a container, beside what was left by the record at that moment: between `least` and
    `most`, None where nobody knew. The record goes on from what was found; what was recorded before stays."""

    container = models.ForeignKey(Container, models.PROTECT, related_name="counts")
    quantity = models.DecimalField(max_digits=14, decimal_places=4)
    least = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    most = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why it differs from the record")
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gte=0), name="count_not_negative"),
            models.CheckConstraint(
                condition=Q(least=None, most=None) | Q(least__isnull=False, most__isnull=False, most__gte=F("least")),
                name="count_beside_what_was_on_record",
            ),
            models.CheckConstraint(
                condition=Q(least=None) | Q(quantity__gte=F("least"), quantity__lte=F("most")) | ~Q(reason=""),
                name="count_that_differs_has_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} in {self.container.key}"


class ScrappedParts(models.Model):
    """Parts of a container that were thrown away; the rest stays in it."""

    container = models.ForeignKey(Container, models.PROTECT, related_name="scrapped")
    quantity = models.DecimalField(max_digits=14, decimal_places=4)
    reason = models.CharField(max_length=300)
    at = TickField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField()
    superseded = TickField(null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="some_parts_scrapped"),
            models.CheckConstraint(condition=~Q(reason=""), name="parts_scrapped_for_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.container.key}"


class Call(models.Model):
    """A station calls for material: a container is issued for it, and delivered; or the call is withdrawn."""

    key = KeyField()
    station = models.ForeignKey(Station, models.PROTECT, related_name="+")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    quantity = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    called = TickField()
    called_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    container = models.ForeignKey(Container, models.PROTECT, null=True, blank=True, related_name="+")
    issued = TickField(null=True, blank=True)
    issued_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    delivered = TickField(null=True, blank=True)
    delivered_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn = TickField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True, help_text="why it was withdrawn")

    class Meta:
        ordering = ["called", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(quantity=None) | Q(quantity__gt=0), name="call_for_some"),
            models.CheckConstraint(
                condition=Q(container=None, issued=None, issued_by=None)
                | Q(container__isnull=False, issued__isnull=False, issued__gte=F("called"), issued_by__isnull=False),
                name="call_issued_with_a_container",
            ),
            models.CheckConstraint(
                condition=Q(delivered=None, delivered_by=None)
                | Q(issued__isnull=False, delivered__gte=F("issued"), delivered_by__isnull=False),
                name="call_delivered_after_it_was_issued",
            ),
            models.CheckConstraint(
                condition=Q(withdrawn=None, reason="") | Q(withdrawn__isnull=False, delivered=None) & ~Q(reason=""),
                name="call_withdrawn_for_a_reason",
            ),
            models.UniqueConstraint(
                fields=["container"],
                condition=Q(container__isnull=False, delivered=None, withdrawn=None),
                name="container_on_its_way_once",
            ),
        ]

    def __str__(self) -> str:
        return self.key

    @property
    def state(self) -> str:
        """In a word."""
        if self.withdrawn is not None:
            return "withdrawn"
        if self.delivered is not None:
            return "delivered"
        return "open" if self.issued is None else "on its way"
