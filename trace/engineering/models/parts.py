"""What the plant builds, and of what: parts, bills of material, placements, substitutes."""

from __future__ import annotations

from django.db import models
from django.db.models import Case, F, Q, Value, When

from trace.core.keys import KEY_LENGTH
from trace.core.models import KeyField
from trace.engineering.moisture import BAKED_FIRST, FLOOR_LIFE


class Part(models.Model):
    """A part number and revision: component, assembly, product, process material or packaging.

    `level` orders parts so that no assembly can contain itself: a child's is below its parent's. What is built
    here is a draft until it is `released`; from then on its bill of material, route and placements stay as they
    are. A released revision takes effect at once, or from the day, the serial or the end of the stock that it names.
    `floor_life` is for how many hours it may lie open, None without end.
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
    shelf_life = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="days from its receipt, of a lot whose label gives no expiry"
    )
    moisture_level = models.CharField(
        max_length=2,
        blank=True,
        choices=[(level, level) for level in FLOOR_LIFE],
        help_text="J-STD-020 class, as on its dry pack; empty: not sensitive to moisture",
    )
    time_on_label = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="of level 6: hours for which it may lie open after a bake, as on its label"
    )
    floor_life = models.GeneratedField(
        expression=Case(
            *(When(moisture_level=level, then=Value(hours)) for level, hours in FLOOR_LIFE.items() if hours),
            When(moisture_level=BAKED_FIRST, then=F("time_on_label")),
            default=None,
            output_field=models.IntegerField(null=True),
        ),
        output_field=models.IntegerField(null=True),
        db_persist=True,
    )
    released = models.DateTimeField(null=True, blank=True, help_text="of what is built here; until then a draft")
    effective_from = models.DateField(null=True, blank=True, help_text="orders from this day on build it")
    effective_serial = models.CharField(
        max_length=KEY_LENGTH, blank=True, help_text="units from this serial on are built by it"
    )
    uses_up = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="orders build it once none of this part is left in stock",
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
            models.CheckConstraint(condition=Q(released=None) | Q(level__gt=0), name="part_released_is_built_here"),
            models.CheckConstraint(
                condition=Q(effective_from=None, effective_serial="")
                | Q(effective_from=None, uses_up=None)
                | Q(effective_serial="", uses_up=None),
                name="part_takes_effect_in_one_way",
            ),
            models.CheckConstraint(condition=Q(moisture_level__in=["", *FLOOR_LIFE]), name="part_moisture_level_known"),
            models.CheckConstraint(
                condition=Q(moisture_level=BAKED_FIRST, time_on_label__isnull=False, time_on_label__gt=0)
                | ~Q(moisture_level=BAKED_FIRST) & Q(time_on_label=None),
                name="part_has_its_time_on_label",
                violation_error_message="Level 6, and no other, has the hours for which its label lets it lie open.",
            ),
            models.CheckConstraint(condition=Q(shelf_life=None) | Q(shelf_life__gt=0), name="part_shelf_life_positive"),
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
        verbose_name = "BOM line"
        ordering = ["parent", "number"]
        constraints = [
            models.UniqueConstraint(fields=["parent", "number"], name="bom_line_number_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="bom_quantity_positive"),
            models.CheckConstraint(condition=Q(child_level__lt=F("parent_level")), name="bom_child_level_below_parent"),
        ]

    def __str__(self) -> str:
        return f"line {self.number}"


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


class PanelPlace(models.Model):
    """Where a board stands in a panel: several boards that go through the machines as one, and are parted later."""

    panel = models.ForeignKey(Part, models.PROTECT, related_name="panel_places")
    number = models.PositiveSmallIntegerField(help_text="as printed in the panel")
    board = models.ForeignKey(Part, models.PROTECT, related_name="+")
    x = models.DecimalField(max_digits=9, decimal_places=4, help_text="mm from the panel's origin")
    y = models.DecimalField(max_digits=9, decimal_places=4, help_text="mm from the panel's origin")
    rotation = models.DecimalField(max_digits=7, decimal_places=4, help_text="degrees within one turn")

    class Meta:
        ordering = ["panel", "number"]
        constraints = [
            models.UniqueConstraint(fields=["panel", "number"], name="panel_place_once"),
            models.CheckConstraint(condition=Q(number__gt=0), name="panel_place_from_one"),
            models.CheckConstraint(
                condition=Q(rotation__gte=0, rotation__lt=360), name="panel_rotation_within_one_turn"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number}: {self.board.key}"


class Substitute(models.Model):
    """A part approved in place of a line's own."""

    line = models.ForeignKey(BomLine, models.PROTECT, related_name="substitutes")
    part = models.ForeignKey(Part, models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["line", "part"], name="substitute_once_per_line")]
