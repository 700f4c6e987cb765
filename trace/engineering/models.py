"""What the plant builds, of what, how and where: parts, bills of material, routes, stations, costs."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import KeyField


class Site(models.Model):
    """The plant this database belongs to: there is one."""

    key = KeyField()
    name = models.CharField(max_length=120)
    zone = models.CharField(max_length=40, default="UTC", help_text="IANA time zone of the plant")
    currency = models.CharField(max_length=3, default="EUR", help_text="ISO 4217 code")

    def __str__(self) -> str:
        return self.name


class ScanMode(models.TextChoices):
    """What a station's scans prove about when a unit drew parts there."""

    GATED = "gated", "gated: nothing can be drawn outside scan-in to scan-out"
    ONE_AT_A_TIME = "one at a time", "one at a time: the unit was alone from scan to scan"
    LOOSE = "loose", "loose: a scan proves only that the unit was here"


class Station(models.Model):
    """A place where an operation is done."""

    key = KeyField()
    name = models.CharField(max_length=120)
    site = models.ForeignKey(Site, models.PROTECT, related_name="stations")
    area = models.CharField(max_length=60, blank=True)
    scan_mode = models.CharField(max_length=20, choices=ScanMode, default=ScanMode.GATED)
    counts_cycles = models.BooleanField(
        default=False, help_text="feeds go by the machine's cycle count, not by the clock"
    )
    work_seconds = models.PositiveIntegerField(
        default=0, help_text="scans closer together than this are one batch (not at gated stations)"
    )
    rate_per_hour = models.DecimalField(
        max_digits=12, decimal_places=4, default=0, help_text="labour and machine, in the site's currency"
    )
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [models.CheckConstraint(condition=Q(rate_per_hour__gte=0), name="station_rate_not_negative")]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class Part(models.Model):
    """A part number and revision: component, assembly, product, process material or packaging.

    `level` orders parts so that no assembly can contain itself: a child's is below its parent's.
    """

    class Kind(models.TextChoices):
        COMPONENT = "component", "component"
        ASSEMBLY = "assembly", "assembly"
        PRODUCT = "product", "finished product"
        PROCESS = "process", "process material"
        PACKAGING = "packaging", "packaging"

    key = KeyField()
    number = models.CharField(max_length=60)
    revision = models.CharField(max_length=10, blank=True)
    name = models.CharField(max_length=160)
    kind = models.CharField(max_length=10, choices=Kind, default=Kind.COMPONENT)
    level = models.PositiveSmallIntegerField(default=0)
    serialised = models.BooleanField(default=False, help_text="tracked by serial, not by lot")
    unit_of_measure = models.CharField(max_length=10, default="each")
    standard_cost = models.DecimalField(
        max_digits=14,
        decimal_places=6,
        default=0,
        help_text="of one unit of measure as bought; an assembly's own cost is reckoned from its parts",
    )
    replace_minutes = models.DecimalField(
        max_digits=8, decimal_places=2, default=0, help_text="standard time to replace one at repair"
    )
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["number", "revision"]
        constraints = [
            models.UniqueConstraint(fields=["number", "revision"], name="part_number_and_revision"),
            models.CheckConstraint(
                condition=Q(standard_cost__gte=0, replace_minutes__gte=0), name="part_costs_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["assembly", "product"], level__gt=0)
                | Q(kind__in=["component", "process", "packaging"], level=0),
                name="part_level_fits_kind",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"


class BomLine(models.Model):
    """So many of a child part in one parent assembly."""

    parent = models.ForeignKey(Part, models.PROTECT, related_name="lines")
    child = models.ForeignKey(Part, models.PROTECT, related_name="used_on")
    parent_level = models.PositiveSmallIntegerField()
    child_level = models.PositiveSmallIntegerField()
    number = models.PositiveIntegerField()
    quantity = models.DecimalField(max_digits=14, decimal_places=6)

    class Meta:
        ordering = ["parent", "number"]
        constraints = [
            models.UniqueConstraint(fields=["parent", "number"], name="bom_line_number_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="bom_quantity_positive"),
            models.CheckConstraint(condition=Q(child_level__lt=F("parent_level")), name="bom_child_level_below_parent"),
        ]


class Designator(models.Model):
    """A place on an assembly that one part occupies, and the step that fills it."""

    parent = models.ForeignKey(Part, models.PROTECT, related_name="designators")
    line = models.ForeignKey(BomLine, models.PROTECT, related_name="designators")
    name = models.CharField(max_length=20)
    quantity = models.DecimalField(
        max_digits=14, decimal_places=6, default=1, help_text="for bulk material: how much goes here"
    )
    step_number = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["parent", "id"]
        constraints = [
            models.UniqueConstraint(fields=["parent", "name"], name="designator_once_per_assembly"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="designator_quantity_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class Placement(models.Model):
    """Where and how something stands on an assembly's board, by its placement file.

    `number` is its line's rank in the file, which is the order of insertion. What no part of the bill of material
    occupies (fiducials, holes, logos) is kept too, under the name that the file gives it.
    """

    class Side(models.TextChoices):
        TOP = "top", "top"
        BOTTOM = "bottom", "bottom"

    assembly = models.ForeignKey(Part, models.PROTECT, related_name="placements")
    number = models.PositiveIntegerField()
    designator = models.CharField(max_length=60)
    x = models.DecimalField(max_digits=11, decimal_places=6, help_text="mm from the file's origin")
    y = models.DecimalField(max_digits=11, decimal_places=6, help_text="mm from the file's origin")
    rotation = models.DecimalField(max_digits=7, decimal_places=4, help_text="degrees within one turn")
    side = models.CharField(max_length=6, choices=Side)
    value = models.CharField(max_length=120, blank=True, help_text="as the file tells it")
    do_not_place = models.BooleanField(default=False)

    class Meta:
        ordering = ["assembly", "number"]
        constraints = [
            models.UniqueConstraint(fields=["assembly", "number"], name="placement_number_once"),
            models.UniqueConstraint(fields=["assembly", "designator"], name="placement_designator_once"),
            models.CheckConstraint(condition=Q(number__gt=0), name="placement_number_from_one"),
            models.CheckConstraint(
                condition=Q(rotation__gte=0, rotation__lt=360), name="placement_rotation_within_one_turn"
            ),
            models.CheckConstraint(condition=Q(side__in=["top", "bottom"]), name="placement_side_known"),
        ]

    def __str__(self) -> str:
        return self.designator


class Substitute(models.Model):
    """A part approved in place of a line's own."""

    line = models.ForeignKey(BomLine, models.PROTECT, related_name="substitutes")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["line", "part"], name="substitute_once_per_line")]


class Step(models.Model):
    """One operation on a part's route, in order of its number, at any of its stations."""

    part = models.ForeignKey(Part, models.PROTECT, related_name="steps")
    number = models.PositiveIntegerField()
    name = models.CharField(max_length=120)
    minutes = models.DecimalField(max_digits=8, decimal_places=3, default=0)
    stations = models.ManyToManyField(Station, related_name="steps")
    caution = models.CharField(max_length=300, blank=True)
    equipment_kind = models.CharField(max_length=40, blank=True, help_text="the kind of equipment that it needs")
    program = models.ForeignKey(
        "trace.Program", models.PROTECT, null=True, blank=True, related_name="+", help_text="that must be on it"
    )

    class Meta:
        ordering = ["part", "number"]
        constraints = [
            models.CheckConstraint(
                condition=Q(program=None) | ~Q(equipment_kind=""), name="step_program_runs_on_equipment"
            ),
            models.UniqueConstraint(fields=["part", "number"], name="step_number_once_per_route"),
            models.CheckConstraint(condition=Q(minutes__gte=0), name="step_minutes_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"
