"""Master data in Django's admin. No rule lives here: what has an operation is changed by it, and only shown here."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.forms import AdminUserCreationForm
from django.contrib.messages import SUCCESS
from django.db.models import QuerySet
from django.utils.safestring import mark_safe

from trace.core.clock import now
from trace.core.permissions import OPERATIONS, Role, may, roles_of
from trace.engineering.operations import add_person, close_account, open_account, retire_person, set_roles
from trace.models import (
    BomLine,
    CheckPiece,
    Customer,
    DayOff,
    Designator,
    Equipment,
    Part,
    Person,
    Program,
    Shift,
    Site,
    Station,
    Step,
    Substitute,
    Supplier,
    User,
)


class KeepsAll:
    """Whom the site lets in may look; nothing is deleted: things retire."""

    def has_module_permission(self, request: Any) -> bool:
        return True

    def has_view_permission(self, request: Any, obj: Any = None) -> bool:
        return True

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return False


def asking(request: Any) -> dict[str, Any]:
    """Who does something in the admin, and when, as every operation wants to know."""
    return {"by": request.user.person, "at": now()}


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
    fields = ("number", "name", "minutes", "equipment_kind", "program", "caution")


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
    list_display = ("part", "number", "name", "minutes", "equipment_kind", "program")
    list_select_related = ("part", "program")
    search_fields = ("part__number", "name")


@admin.register(Supplier)
class SupplierAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "is_plant")
    search_fields = ("key", "name")


@admin.register(Customer)
class CustomerAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name")
    search_fields = ("key", "name")


@admin.register(Shift)
class ShiftAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("name", "weekdays", "begins", "ends", "since", "until")


@admin.register(DayOff)
class DayOffAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("day", "name", "withdrawn")


@admin.register(Equipment)
class EquipmentAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "kind", "station", "calibrate_every", "calibration_due", "retired")
    list_filter = ("kind",)
    list_select_related = ("station",)
    search_fields = ("key", "name")


@admin.register(CheckPiece)
class CheckPieceAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "name", "good", "kind", "equipment", "retired")
    list_select_related = ("equipment",)


@admin.register(Program)
class ProgramAdmin(ShowsOnly, admin.ModelAdmin):
    list_display = ("key", "kind", "name", "revision")
    list_filter = ("kind",)


class ByAdministrators(KeepsAll):
    """Who is who is changed by whoever may give roles."""

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return may(roles_of(request.user), OPERATIONS["set_roles"])

    has_change_permission = has_add_permission


class PersonForm(forms.ModelForm):
    """Roles by name."""

    roles = forms.MultipleChoiceField(choices=Role.choices, required=False, widget=forms.CheckboxSelectMultiple)

    class Meta:
        model = Person
        fields = ("key", "name", "is_machine", "roles")


@admin.register(Person)
class PersonAdmin(ByAdministrators, admin.ModelAdmin):
    form = PersonForm
    list_display = ("key", "name", "may", "is_machine", "retired")
    list_filter = ("is_machine", ("retired", admin.EmptyFieldListFilter))
    search_fields = ("key", "name")
    actions = ("retire",)

    @admin.display(description="roles")
    def may(self, person: Person) -> str:
        return ", ".join(str(Role(role).label) for role in person.roles) or "none"

    def get_readonly_fields(self, request: Any, obj: Person | None = None) -> tuple[str, ...]:
        return ("key", "name", "is_machine") if obj else ()  # what was signed says who it was

    def save_model(self, request: Any, obj: Person, form: forms.ModelForm, change: bool) -> None:
        if change:
            set_roles(person=obj, roles=obj.roles, **asking(request))
            return
        made = add_person(key=obj.key, name=obj.name, roles=obj.roles, is_machine=obj.is_machine, **asking(request))
        obj.pk, obj.key = made.pk, made.key

    @admin.action(description="They left: retire them, close their accounts", permissions=["change"])
    def retire(self, request: Any, people: QuerySet[Person]) -> None:
        for person in people:
            retire_person(person=person, **asking(request))
        self.message_user(request, f"Retired: {', '.join(map(str, people))}.", SUCCESS)


class AccountForm(AdminUserCreationForm):
    """Every account is somebody's."""

    person = forms.ModelChoiceField(Person.objects.filter(retired=None, is_machine=False))


@admin.register(User)
class AccountAdmin(ByAdministrators, UserAdmin):
    list_display = ("username", "person", "is_active", "last_login")
    list_filter = ("is_active",)
    list_select_related = ("person",)
    search_fields = ("username", "person__name", "person__key")
    # Not the password: who may only look would be shown its hash.
    fieldsets = ((None, {"fields": ("username", "person", "is_active", "last_login", "set_password")}),)
    add_form = AccountForm
    add_fieldsets = ((None, {"fields": ("username", "person", "usable_password", "password1", "password2")}),)
    filter_horizontal = ()
    actions = ("close", "open_again")

    def get_readonly_fields(self, request: Any, obj: User | None = None) -> tuple[str, ...]:
        return ("username", "person", "is_active", "last_login", "set_password") if obj else ()

    @admin.display(description="password")
    def set_password(self, account: User) -> str:
        return mark_safe('<a href="../password/">Set another</a>')

    def save_model(self, request: Any, obj: User, form: forms.ModelForm, change: bool) -> None:
        """The account by its operation; the password by Django, which keeps it from every record."""
        assert obj.person is not None and not change
        password = obj.password
        made = open_account(person=obj.person, username=obj.username, **asking(request))
        obj.pk, obj._state.adding = made.pk, False
        User.objects.filter(pk=made.pk).update(password=password)

    @admin.action(description="Close these accounts", permissions=["change"])
    def close(self, request: Any, accounts: QuerySet[User]) -> None:
        for account in accounts.select_related("person"):
            close_account(person=account.person, **asking(request))
        self.message_user(request, "Closed: they can no longer sign in.", SUCCESS)

    @admin.action(description="Open these accounts again, without a password", permissions=["change"])
    def open_again(self, request: Any, accounts: QuerySet[User]) -> None:
        for account in accounts.select_related("person"):
            open_account(person=account.person, username=account.username, **asking(request))
        self.message_user(request, "Open again. Set a password for each.", SUCCESS)
