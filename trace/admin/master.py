"""What the plant is made of: looked at here, changed by operations elsewhere."""

from __future__ import annotations

from django.contrib import admin

from trace.admin.common import ShowsOnly
from trace.models import BomLine, Customer, Designator, Part, Site, Station, Step, Substitute, Supplier


class BomLines(ShowsOnly, admin.TabularInline):
    model = BomLine
    fk_name = "parent"
    fields = ("number", "child", "quantity")


class Designators(ShowsOnly, admin.TabularInline):
    model = Designator
    fields = ("name", "line", "quantity", "step_number")


class Substitutes(ShowsOnly, admin.TabularInline):
    model = Substitute
    fields = ("part",)


class Steps(ShowsOnly, admin.TabularInline):
    model = Step
    fields = ("number", "name", "minutes", "qualification", "caution")


@admin.register(Site)
class SiteAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "zone", "currency")


@admin.register(Station)
class StationAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "area", "scan_mode", "rate_per_hour", "retired")
    list_filter = ("area", "scan_mode")
    search_fields = ("key", "name")


@admin.register(Part)
class PartAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("number", "revision", "name", "kind", "level", "serialised", "standard_cost", "retired")
    list_filter = ("kind", "serialised")
    search_fields = ("number", "name", "key")
    inlines = (BomLines, Designators, Steps)


@admin.register(BomLine)
class BomLineAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("parent", "number", "child", "quantity")
    list_select_related = ("parent", "child")
    search_fields = ("parent__number", "child__number")
    inlines = (Substitutes,)


@admin.register(Step)
class StepAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("part", "number", "name", "minutes")
    list_select_related = ("part",)
    search_fields = ("part__number", "name")


@admin.register(Supplier)
class SupplierAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "is_plant")
    search_fields = ("key", "name")


@admin.register(Customer)
class CustomerAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name")
    search_fields = ("key", "name")
