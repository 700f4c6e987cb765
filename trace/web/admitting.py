"""With what people get in at stations, and what they are qualified for, in the admin: each change by its operation."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.messages import SUCCESS
from django.db.models import QuerySet

from trace.core.clock import now
from trace.core.models import Badge, Device, Person
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.core.secrecy import Secret, device_digest, make_device_secret
from trace.engineering.models import Qualification, Qualified, Station
from trace.engineering.operations import (
    define_qualification,
    end_badge,
    end_device,
    end_qualification,
    issue_badge,
    issue_device,
    qualify_person,
)


def asking(request: Any) -> dict[str, Any]:
    """Who does something in the admin, and when, as every operation wants to know."""
    return {"by": request.user.person, "at": now()}


class ByOperation:
    """Whom the site lets in may look; whoever may carry out the operation may change; nothing is deleted."""

    verb = ""

    def has_module_permission(self, request: Any) -> bool:
        return True

    def has_view_permission(self, request: Any, obj: Any = None) -> bool:
        return True

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return False

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return may(roles_of(request.user), OPERATIONS[self.verb])

    has_change_permission = has_add_permission


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

    def save_model(self, request: Any, obj: Badge, form: forms.ModelForm, change: bool) -> None:
        if not change:
            code, pin = (Secret(form.cleaned_data[name]) for name in ("code", "pin"))
            obj.pk = issue_badge(person=obj.person, code=code, pin=pin, **asking(request)).pk

    @admin.action(description="End these badges", permissions=["change"])
    def end(self, request: Any, badges: QuerySet[Badge]) -> None:
        for badge in badges.filter(ended=None).select_related("person"):
            end_badge(person=badge.person, **asking(request))
        self.message_user(request, "Ended: they open nothing any more.", SUCCESS)


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

    def save_model(self, request: Any, obj: Device, form: forms.ModelForm, change: bool) -> None:
        if not change:
            made = self._issue(request, obj.key, obj.name, form.cleaned_data["at"])
            obj.pk, obj.key = made.pk, made.key

    def _issue(self, request: Any, key: str, name: str, stations: QuerySet[Station]) -> Device:
        secret = make_device_secret()
        digest = device_digest(secret)
        device = issue_device(key=key, name=name, stations=list(stations), digest=digest, **asking(request))
        said = f"The secret of {device}, shown once: {secret}. Sign in at its own browser, open /device/ and type it."
        self.message_user(request, said, SUCCESS)
        return device

    @admin.action(description="Make new secrets: their browsers are bound no more", permissions=["change"])
    def renew(self, request: Any, devices: QuerySet[Device]) -> None:
        for device in devices:
            self._issue(request, device.key, device.name, Station.objects.filter(key__in=device.stations))

    @admin.action(description="End these devices", permissions=["change"])
    def end(self, request: Any, devices: QuerySet[Device]) -> None:
        for device in devices:
            end_device(device=device, **asking(request))
        self.message_user(request, "Ended: their browsers are bound no more.", SUCCESS)


@admin.register(Qualification)
class QualificationAdmin(ByOperation, admin.ModelAdmin):
    verb = "define_qualification"
    list_display = ("key", "name")
    search_fields = ("key", "name")

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return False

    def save_model(self, request: Any, obj: Qualification, form: forms.ModelForm, change: bool) -> None:
        made = define_qualification(key=obj.key, name=obj.name, **asking(request))
        obj.pk, obj.key = made.pk, made.key


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

    def save_model(self, request: Any, obj: Qualified, form: forms.ModelForm, change: bool) -> None:
        if not change:
            told = {name: getattr(obj, name) for name in ("person", "qualification", "since", "until", "vouched_by")}
            obj.pk = qualify_person(**told, remark=obj.note, **asking(request)).pk

    @admin.action(description="From now on they have it no longer", permissions=["change"])
    def end(self, request: Any, periods: QuerySet[Qualified]) -> None:
        for period in periods.select_related("person", "qualification"):
            end_qualification(person=period.person, qualification=period.qualification, **asking(request))
        self.message_user(request, "Ended.", SUCCESS)
