"""What the plant is made of: forms that ask the operations."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from trace.admin.common import ShowsOnly
from trace.admin.defining import BomRows, CharacteristicRows, Defined, InspectionRows, StepRows
from trace.engineering.equipment import CheckPiece, Equipment, Program
from trace.engineering.models import BomLine, CauseCode, FaultCode, Part, SerialRule, Site, Station, Substitute
from trace.engineering.operations import (
    define_cause_code,
    define_check_piece,
    define_equipment,
    define_fault_code,
    define_part,
    define_program,
    define_site,
    define_station,
    set_serial_rule,
)
from trace.engineering.shifts import DayOff, Shift
from trace.floor.models import Carrier, Customer
from trace.floor.operations.dispatch import define_customer
from trace.floor.operations.racks import define_rack
from trace.material.models import Source, Supplier
from trace.material.operations.sources import approve_source
from trace.material.operations.stock import define_supplier
from trace.web.forms import asking


class Substitutes(ShowsOnly, admin.TabularInline):
    model = Substitute
    fields = ("part",)


@admin.register(Site)
class SiteAdmin(Defined):
    define = staticmethod(define_site)
    list_display = ("key", "name", "zone", "currency")


@admin.register(Station)
class StationAdmin(Defined):
    define = staticmethod(define_station)
    list_display = ("key", "name", "area", "scan_mode", "rate_per_hour", "retired")
    list_filter = ("area", "scan_mode")
    search_fields = ("key", "name")


@admin.register(Part)
class PartAdmin(Defined):
    define = staticmethod(define_part)
    list_display = ("number", "revision", "name", "kind", "state", "serialised", "standard_cost")
    list_filter = ("kind", "serialised", ("released", admin.EmptyFieldListFilter))
    search_fields = ("number", "name", "key")
    inlines = (BomRows, StepRows, CharacteristicRows)
    change_form_template = "admin/part.html"

    @admin.display(description="state")
    def state(self, part: Part) -> str:
        if part.retired:
            return "retired"
        return "bought" if not part.level else "released" if part.released else "draft"

    def get_inlines(self, request: Any, obj: Part | None = None) -> tuple[type[admin.TabularInline], ...]:
        return self.inlines if obj and obj.level else (InspectionRows,) if obj else ()


@admin.register(SerialRule)
class SerialRuleAdmin(Defined):
    define = staticmethod(set_serial_rule)
    list_display = ("number", "prefix", "digits", "next_number")
    search_fields = ("number",)

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return self.has_add_permission(request)

    def get_readonly_fields(self, request: Any, obj: Any = None) -> list[str]:
        return ["number"] if obj else []

    def saving(
        self, request: HttpRequest, record: Any, cleaned: Mapping[str, Any], changed: list[str]
    ) -> tuple[Callable[..., Any], dict[str, Any]]:
        """Set again, whatever there was before."""
        return set_serial_rule, {"number": record.number, **cleaned, **asking(request)}


@admin.register(BomLine)
class BomLineAdmin(ShowsOnly, admin.ModelAdmin):
    """To look up where a part is used; a line is changed on its assembly's page."""

    list_display = ("parent", "number", "child", "quantity")
    list_select_related = ("parent", "child")
    search_fields = ("parent__number", "child__number")
    inlines = (Substitutes,)


@admin.register(Supplier)
class SupplierAdmin(Defined):
    define = staticmethod(define_supplier)
    list_display = ("key", "name", "is_plant")
    search_fields = ("key", "name")


@admin.register(Source)
class SourceAdmin(Defined):
    define = staticmethod(approve_source)
    list_display = ("part", "supplier", "number", "since", "until")
    list_select_related = ("part", "supplier")
    list_filter = (("until", admin.EmptyFieldListFilter),)
    search_fields = ("number", "part__number", "supplier__name")


@admin.register(Customer)
class CustomerAdmin(Defined):
    define = staticmethod(define_customer)
    list_display = ("key", "name")
    search_fields = ("key", "name")


@admin.register(Carrier)
class RackAdmin(Defined):
    define = staticmethod(define_rack)
    list_display = ("key", "kind", "part", "slots", "ordered", "parted")
    list_filter = ("kind",)
    list_select_related = ("part",)
    search_fields = ("key",)


@admin.register(Shift)
class ShiftAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("name", "weekdays", "begins", "ends", "since", "until")


@admin.register(DayOff)
class DayOffAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("day", "name", "withdrawn")


@admin.register(Equipment)
class EquipmentAdmin(Defined):
    define = staticmethod(define_equipment)
    list_display = ("key", "name", "kind", "station", "calibrate_every", "calibration_due", "retired")
    list_filter = ("kind",)
    list_select_related = ("station",)
    search_fields = ("key", "name")


@admin.register(CheckPiece)
class CheckPieceAdmin(Defined):
    define = staticmethod(define_check_piece)
    list_display = ("key", "name", "good", "kind", "equipment", "retired")
    list_select_related = ("equipment",)


@admin.register(FaultCode)
class FaultCodeAdmin(Defined):
    define = staticmethod(define_fault_code)
    list_display = ("key", "name", "retired")
    search_fields = ("key", "name")


@admin.register(CauseCode)
class CauseCodeAdmin(Defined):
    define = staticmethod(define_cause_code)
    list_display = ("key", "name", "retired")
    search_fields = ("key", "name")


@admin.register(Program)
class ProgramAdmin(Defined):
    define = staticmethod(define_program)
    list_display = ("key", "kind", "name", "revision")
    list_filter = ("kind",)
