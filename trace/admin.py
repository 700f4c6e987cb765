"""Master data in Django's admin. No rule lives here: what has an operation is changed by it, and only shown here."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin

from trace.models import BomLine, Customer, Designator, Part, Person, Site, Station, Step, Substitute, Supplier, User

admin.site.site_title = "Traceability"
admin.site.site_header = "Master data"
admin.site.index_title = "What the plant is made of"


class KeepsAll:
    """Nothing is deleted: things retire."""

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return False


class ShowsOnly(KeepsAll):
    """What operations write can be looked at."""

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return False


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
    fields = ("number", "name", "minutes", "caution")


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


@admin.register(Person)
class PersonAdmin(KeepsAll, admin.ModelAdmin):
    list_display = ("key", "name", "is_machine", "retired")
    list_filter = ("is_machine",)
    search_fields = ("key", "name")

    def get_readonly_fields(self, request: Any, obj: Person | None = None) -> tuple[str, ...]:
        return ("key",) if obj else ()  # what it signed says this key


@admin.register(User)
class AccountAdmin(KeepsAll, UserAdmin):
    list_display = ("username", "person", "is_active", "is_staff")
    fieldsets = (*(UserAdmin.fieldsets or ()), ("Plant", {"fields": ("person",)}))
    add_fieldsets = (*UserAdmin.add_fieldsets, ("Plant", {"fields": ("person",)}))
