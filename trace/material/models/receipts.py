"""What suppliers say is on its way, and their packages as they were received."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.clock import now_ticks
from trace.core.models import KeyField, Person, TickField
from trace.engineering.models import Part
from trace.material.models.stock import Source, Supplier


class Receipt(models.Model):
    """A supplier's package as it was received: who did, when, and what its label says beside its lots.

    It became one container, or one for each lot in it. `package` is the supplier's own id of it, by which its
    containers can be scanned too. `label` is its 2D label, known again by `digest`; of packages whose labels are alike
    and have no id, `copy` says which it is. A `source` of None: it came from no approved source, into quarantine.
    """

    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="receipts")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    source = models.ForeignKey(Source, models.PROTECT, null=True, blank=True, related_name="receipts")
    number = models.CharField(max_length=60, blank=True, help_text="the supplier's part number, as on its label")
    package = models.CharField(max_length=60, blank=True)
    order = models.CharField(max_length=60, blank=True)
    order_line = models.CharField(max_length=10, blank=True)
    delivery = models.CharField(max_length=60, blank=True, help_text="the number of the delivery that it came with")
    origin = models.CharField(max_length=2, blank=True, help_text="country of origin: two letters of ISO 3166")
    label = models.CharField(max_length=1000, blank=True)
    digest = models.CharField(max_length=64, blank=True)
    copy = models.PositiveSmallIntegerField(default=1)
    received = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = TickField(default=now_ticks)

    class Meta:
        ordering = ["-received", "-id"]
        indexes = [
            models.Index(fields=["package"], condition=~Q(package=""), name="receipt_by_package"),
            models.Index(fields=["digest"], condition=~Q(digest=""), name="receipt_by_label"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["supplier", "package"], condition=~Q(package=""), name="package_received_once"
            ),
            models.UniqueConstraint(
                fields=["supplier", "digest", "copy"], condition=~Q(digest=""), name="label_received_once"
            ),
            models.CheckConstraint(condition=Q(copy__gte=1), name="receipt_copies_from_one"),
            models.CheckConstraint(
                condition=Q(label="", digest="") | ~Q(label="") & ~Q(digest=""), name="label_has_its_digest"
            ),
        ]

    def __str__(self) -> str:
        return self.package or f"receipt {self.pk}"


class Delivery(models.Model):
    """What a supplier says is on its way, by its shipping list, under the number of its delivery.

    Once it is closed nothing more is expected of it: what had not come by then is missing.
    """

    key = KeyField()
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="deliveries")
    number = models.CharField(max_length=60)
    announced = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    closed = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    remark = models.CharField(max_length=300, blank=True, help_text="what was said of it when it was closed")

    class Meta:
        ordering = ["key"]
        verbose_name_plural = "deliveries"
        constraints = [
            models.UniqueConstraint(fields=["supplier", "number"], name="delivery_announced_once"),
            models.CheckConstraint(
                condition=Q(closed=None, closed_by=None, remark="")
                | Q(closed__isnull=False, closed_by__isnull=False, closed__gte=F("announced")),
                name="delivery_closed_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return self.key


class Expected(models.Model):
    """A line of a shipping list: a package, or a lot in it; the receipt it came as, None while it has not."""

    delivery = models.ForeignKey(Delivery, models.PROTECT, related_name="lines")
    package = models.CharField(max_length=60, blank=True)
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    number = models.CharField(max_length=60, help_text="the supplier's part number")
    lot = models.CharField(max_length=60)
    date_code = models.CharField(max_length=10, blank=True)
    quantity = models.DecimalField(max_digits=14, decimal_places=4)
    order = models.CharField(max_length=60, blank=True)
    receipt = models.ForeignKey(Receipt, models.PROTECT, null=True, blank=True, related_name="expected")

    class Meta:
        ordering = ["id"]
        verbose_name = "expected package"
        indexes = [models.Index(fields=["package"], condition=Q(receipt=None), name="expected_by_package")]
        constraints = [
            models.CheckConstraint(condition=Q(quantity__gt=0), name="expected_quantity_positive"),
            models.UniqueConstraint(
                fields=["delivery", "package", "lot", "date_code"],
                condition=~Q(package=""),
                name="package_on_a_list_once",
            ),
        ]

    def __str__(self) -> str:
        return self.package or f"{self.number} {self.lot}"
