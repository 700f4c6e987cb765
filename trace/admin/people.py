"""Who is who, what they are qualified for, and with what they get in: each change by its operation."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.forms import AdminUserCreationForm
from django.contrib.messages import SUCCESS
from django.db.models import QuerySet
from django.utils.safestring import mark_safe

from trace.admin.common import ByOperation
from trace.admin.defining import Defined
from trace.core.models import Badge, Device, Person, User
from trace.core.permissions import Role
from trace.core.secrecy import Secret, device_digest, make_device_secret
from trace.engineering.models import Qualification, Qualified, Station
from trace.engineering.operations import (
    add_person,
    close_account,
    define_qualification,
    end_badge,
    end_device,
    end_qualification,
    issue_badge,
    issue_device,
    open_account,
    qualify_person,
    retire_person,
    set_roles,
)
from trace.web.forms import asking

Saving = tuple[Callable[..., Any], dict[str, Any]]
"""An operation, and its arguments."""


class PersonForm(forms.ModelForm):
    """Roles by name."""

    roles = forms.MultipleChoiceField(choices=Role.choices, required=False, widget=forms.CheckboxSelectMultiple)

    class Meta:
        model = Person
        fields = ("key", "name", "is_machine", "roles")


@admin.register(Person)
class PersonAdmin(ByOperation, admin.ModelAdmin):
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

    def saving(self, request: Any, record: Person, cleaned: Mapping[str, Any], changed: list[str]) -> Saving:
        if record.pk:
            return set_roles, {"person": record, "roles": cleaned["roles"], **asking(request)}
        return add_person, {**cleaned, **asking(request)}

    @admin.action(description="They left: retire them, close their accounts", permissions=["change"])
    def retire(self, request: Any, people: QuerySet[Person]) -> None:
        acts = [partial(retire_person, person=person, **asking(request)) for person in people]
        self.carry_out(request, "Retired: they can no longer sign in.", acts)


class AccountForm(AdminUserCreationForm):
    """Every account is somebody's."""

    person = forms.ModelChoiceField(Person.objects.filter(retired=None, is_machine=False))


@admin.register(User)
class AccountAdmin(ByOperation, UserAdmin):
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

    def saving(self, request: Any, record: User, cleaned: Mapping[str, Any], changed: list[str]) -> Saving:
        return open_account, {"person": cleaned["person"], "username": cleaned["username"], **asking(request)}

    def save_model(self, request: Any, obj: User, form: forms.ModelForm, change: bool) -> None:
        """The account by its operation; the password by Django, which keeps it from every record."""
        password = obj.password
        super().save_model(request, obj, form, change)
        if form.has_changed():
            User.objects.filter(pk=obj.pk).update(password=password)

    @admin.action(description="Close these accounts", permissions=["change"])
    def close(self, request: Any, accounts: QuerySet[User]) -> None:
        acts = [partial(close_account, person=one.person, **asking(request)) for one in accounts]
        self.carry_out(request, "Closed: they can no longer sign in.", acts)

    @admin.action(description="Open these accounts again, without a password", permissions=["change"])
    def open_again(self, request: Any, accounts: QuerySet[User]) -> None:
        acts = [partial(open_account, person=one.person, username=one.username, **asking(request)) for one in accounts]
        self.carry_out(request, "Open again. Set a password for each.", acts)


class BadgeForm(forms.ModelForm):
    """The code scanned, the PIN typed twice by whose it is."""

    person = forms.ModelChoiceField(Person.objects.filter(retired=None, is_machine=False))
    code = forms.CharField(help_text="scan the badge", max_length=120)
    pin = forms.CharField(widget=forms.PasswordInput, help_text="4 to 12 digits, hard to guess", label="PIN")
    again = forms.CharField(widget=forms.PasswordInput, label="PIN once more")

    class Meta:
        model = Badge
        fields = ("person",)

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        if told.get("pin") != told.get("again"):
            raise forms.ValidationError("The two PINs differ.")
        return told


@admin.register(Badge)
class BadgeAdmin(ByOperation, admin.ModelAdmin):
    verb = "issue_badge"
    form = BadgeForm
    list_display = ("person", "issued", "ended")
    list_filter = (("ended", admin.EmptyFieldListFilter),)
    list_select_related = ("person",)
    search_fields = ("person__key", "person__name")
    fieldsets = ((None, {"fields": ("person", "issued", "ended")}),)  # neither digest nor PIN
    add_fieldsets = ((None, {"fields": ("person", "code", "pin", "again")}),)
    actions = ("end",)

    def get_fieldsets(self, request: Any, obj: Badge | None = None) -> Any:
        return self.fieldsets if obj else self.add_fieldsets

    def get_readonly_fields(self, request: Any, obj: Badge | None = None) -> tuple[str, ...]:
        return ("person", "issued", "ended") if obj else ()

    def saving(self, request: Any, record: Badge, cleaned: Mapping[str, Any], changed: list[str]) -> Saving:
        secrets = {name: Secret(cleaned[name]) for name in ("code", "pin")}
        return issue_badge, {"person": cleaned["person"], **secrets, **asking(request)}

    @admin.action(description="End these badges", permissions=["change"])
    def end(self, request: Any, badges: QuerySet[Badge]) -> None:
        acts = [partial(end_badge, person=badge.person, **asking(request)) for badge in badges.filter(ended=None)]
        self.carry_out(request, "Ended: they open nothing any more.", acts)


class DeviceForm(forms.ModelForm):
    """Stations by name; the device keeps their keys."""

    at = forms.ModelMultipleChoiceField(
        Station.objects.filter(retired=None), widget=forms.CheckboxSelectMultiple, label="Stations"
    )

    class Meta:
        model = Device
        fields = ("key", "name")


@admin.register(Device)
class DeviceAdmin(ByOperation, admin.ModelAdmin):
    verb = "issue_device"
    form = DeviceForm
    list_display = ("key", "name", "where", "issued", "bound", "ended")
    list_filter = (("ended", admin.EmptyFieldListFilter),)
    search_fields = ("key", "name")
    shown = ("key", "name", "where", "issued", "bound", "ended")
    actions = ("renew", "end")

    @admin.display(description="stations")
    def where(self, device: Device) -> str:
        return ", ".join(device.stations)

    def get_fields(self, request: Any, obj: Device | None = None) -> tuple[str, ...]:
        return self.shown if obj else ("key", "name", "at")

    def get_readonly_fields(self, request: Any, obj: Device | None = None) -> tuple[str, ...]:
        return self.shown if obj else ()

    def saving(self, request: Any, record: Device, cleaned: Mapping[str, Any], changed: list[str]) -> Saving:
        told = {"key": cleaned["key"], "name": cleaned["name"], "stations": list(cleaned["at"])}
        return partial(self._issue, request), {**told, "secret": make_device_secret()}

    def save_model(self, request: Any, obj: Device, form: forms.ModelForm, change: bool) -> None:
        if form.has_changed():
            _, told = self.saving(request, obj, form.cleaned_data, form.changed_data)
            obj.__dict__.update(self._show(request, **told).__dict__)

    def _issue(self, request: Any, secret: str, **told: Any) -> Device:
        made: Device = issue_device(**told, digest=device_digest(secret), **asking(request))
        return made

    def _show(self, request: Any, secret: str, **told: Any) -> Device:
        device = self._issue(request, secret, **told)
        said = f"The secret of {device}, shown once: {secret}. Sign in at its own browser, open /device/ and type it."
        self.message_user(request, said, SUCCESS)
        return device

    def _renew(self, request: Any, device: Device) -> Device:
        stations = list(Station.objects.filter(key__in=device.stations))
        return self._show(request, make_device_secret(), key=device.key, name=device.name, stations=stations)

    @admin.action(description="Make new secrets: their browsers are bound no more", permissions=["change"])
    def renew(self, request: Any, devices: QuerySet[Device]) -> None:
        acts = [partial(self._renew, request, device) for device in devices]
        self.carry_out(request, "Made anew: their browsers are bound no more.", acts)

    @admin.action(description="End these devices", permissions=["change"])
    def end(self, request: Any, devices: QuerySet[Device]) -> None:
        acts = [partial(end_device, device=device, **asking(request)) for device in devices]
        self.carry_out(request, "Ended: their browsers are bound no more.", acts)


@admin.register(Qualification)
class QualificationAdmin(Defined):
    define = staticmethod(define_qualification)
    list_display = ("key", "name")
    search_fields = ("key", "name")


class QualifiedForm(forms.ModelForm):
    """Of people that are here."""

    person = forms.ModelChoiceField(Person.objects.filter(retired=None, is_machine=False))
    vouched_by = forms.ModelChoiceField(Person.objects.filter(retired=None), help_text="who saw the proof")

    class Meta:
        model = Qualified
        fields = ("person", "qualification", "since", "until", "vouched_by", "note")


@admin.register(Qualified)
class QualifiedAdmin(ByOperation, admin.ModelAdmin):
    verb = "qualify_person"
    form = QualifiedForm
    list_display = ("person", "qualification", "since", "until", "vouched_by", "note")
    list_filter = ("qualification",)
    list_select_related = ("person", "qualification", "vouched_by")
    search_fields = ("person__key", "person__name")
    actions = ("end",)

    def get_queryset(self, request: Any) -> QuerySet[Qualified]:
        return super().get_queryset(request).filter(superseded=None)

    def get_readonly_fields(self, request: Any, obj: Qualified | None = None) -> tuple[str, ...]:
        return QualifiedForm.Meta.fields if obj else ()

    def saving(self, request: Any, record: Qualified, cleaned: Mapping[str, Any], changed: list[str]) -> Saving:
        told = {name: value for name, value in cleaned.items() if name != "note"}
        return qualify_person, {**told, "remark": cleaned["note"], **asking(request)}

    @admin.action(description="From now on they have it no longer", permissions=["change"])
    def end(self, request: Any, periods: QuerySet[Qualified]) -> None:
        acts = [
            partial(end_qualification, person=one.person, qualification=one.qualification, **asking(request))
            for one in periods
        ]
        self.carry_out(request, "Ended.", acts)
