"""Forms of Django's admin that ask operations: what one refuses is said beside the form, before anything is saved."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import admin
from django.db.models import Model
from django.forms.models import BaseInlineFormSet
from django.http import HttpRequest

from trace.admin.common import Asking, KeepsAll, would_refuse
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.engineering.models import BomLine, Characteristic, Step
from trace.engineering.operations import (
    AMENDABLE,
    WHILE_UNUSED,
    BomRow,
    CharacteristicRow,
    RouteRow,
    amend_record,
    is_used,
    set_bom,
    set_characteristics,
    set_route,
)
from trace.engineering.rules import EACH, run_together
from trace.material.models import PlannedInspection
from trace.material.operations.inspection import InspectionRow, set_inspection
from trace.web.forms import asking


class DefinedForm(forms.ModelForm):
    """A record's form, which asks the operation that would save it."""

    def _post_clean(self) -> None:
        """The operation judges, not the form: the record is not filled in from here."""


class Defined(Asking, admin.ModelAdmin):
    """Records that an operation defines, and `amend_record` corrects."""

    form = DefinedForm
    define: Callable[..., Any]

    def has_add_permission(self, request: Any) -> bool:
        return may(roles_of(request.user), OPERATIONS[self.define.__name__])

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return self.opts.model_name in AMENDABLE and may(roles_of(request.user), OPERATIONS["amend_record"])

    def get_fields(self, request: Any, obj: Any = None) -> list[Any]:
        parameters = inspect.signature(self.define).parameters
        own = {field.name for field in self.model._meta.fields}
        return [name for name in parameters if name in own]

    def get_readonly_fields(self, request: Any, obj: Any = None) -> list[str]:
        if obj is None:
            return []
        kind = obj._meta.model_name
        can = AMENDABLE.get(kind, "").split() + ([] if is_used(obj) else WHILE_UNUSED.get(kind, "").split())
        return [name for name in self.get_fields(request, obj) if name not in can]

    def get_form(self, request: Any, obj: Any = None, change: bool = False, **more: Any) -> Any:
        form = super().get_form(request, obj, change=change, **more)
        defaults = inspect.signature(self.define).parameters
        for name, field in form.base_fields.items():
            # A box left empty says no.
            field.required = defaults[name].default is inspect.Parameter.empty and not isinstance(
                field, forms.BooleanField
            )
        return form

    def saving(
        self, request: HttpRequest, record: Model, cleaned: Mapping[str, Any], changed: list[str]
    ) -> tuple[Callable[..., Any], dict[str, Any]]:
        if record.pk:
            changes = {name: cleaned[name] for name in changed}
            return amend_record, {"record": record, "changes": changes, **asking(request)}
        given = {name: value for name, value in cleaned.items() if value not in (None, "")}
        return self.define, {**given, **asking(request)}


# The rows of a draft -------------------------------------------------------------------------------------------------


class Rows(BaseInlineFormSet):
    """The lines of a draft, written together by one operation."""

    keeper: DraftRows
    request: HttpRequest

    def clean(self) -> None:
        super().clean()
        if not any(self.errors) and self.has_changed() and self.instance.pk:
            work, arguments = self.saving()
            if refused := would_refuse(work, arguments):
                raise forms.ValidationError(refused)

    def saving(self) -> tuple[Callable[..., Any], dict[str, Any]]:
        """The operation that writes them, and its arguments."""
        keeper = self.keeper
        rows = [
            keeper.row(form.cleaned_data)
            for form in self.forms
            if form.cleaned_data and not form.cleaned_data.get("DELETE")
        ]
        return keeper.operation, {keeper.owner: self.instance, "rows": rows, **asking(self.request)}

    def save(self, commit: bool = True) -> list[Any]:
        """All of them, if any has changed."""
        self.new_objects, self.changed_objects, self.deleted_objects = [], [], []
        if self.has_changed():
            work, arguments = self.saving()
            work(**arguments)
        return []


class DraftRows(KeepsAll, admin.TabularInline):
    """Rows that can be changed as long as their part is a draft."""

    formset = Rows
    extra = 0
    owner = "part"
    operation: Callable[..., Any]

    def _may(self, request: Any, obj: Any) -> bool:
        return bool(
            obj and obj.level and not obj.released and may(roles_of(request.user), OPERATIONS[self.operation.__name__])
        )

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return self._may(request, obj)

    def get_formset(self, request: Any, obj: Any = None, **more: Any) -> Any:
        return type("RowsOfDraft", (super().get_formset(request, obj, **more),), {"keeper": self, "request": request})

    def row(self, cleaned: Mapping[str, Any]) -> Any:
        """What the operation takes, from a line of the form."""
        raise NotImplementedError


class RowForm(forms.ModelForm):
    """A row as the form has it: the operation judges what it may say."""

    def _post_clean(self) -> None:
        """Nothing is filled in from here."""


class LineForm(RowForm):
    """A line of a bill of material with its designators, as they are written on paper."""

    designators = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 1, "cols": 30}))
    step_number = forms.IntegerField(required=False, min_value=1)

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        if self.instance.pk:
            places = list(self.instance.designators.all())
            steps = {place.step_number for place in places}
            self.initial["designators"] = " ".join(place.name for place in places)
            # Where its places are filled at several steps, each keeps its own as long as none is given.
            self.initial["step_number"] = steps.pop() if len(steps) == 1 else None


class BomRows(DraftRows):
    """The bill of material."""

    model = BomLine
    verbose_name, verbose_name_plural = "line", "bill of material"
    fk_name = "parent"
    owner = "assembly"
    form = LineForm
    fields = ("child", "quantity", "designators", "step_number")
    autocomplete_fields = ("child",)
    operation = staticmethod(set_bom)
    readonly_fields = ("places",)

    @admin.display(description="designators")
    def places(self, line: BomLine) -> str:
        return run_together(line.designators.values_list("name", flat=True))

    def get_fields(self, request: Any, obj: Any = None) -> Any:
        return self.fields if self._may(request, obj) else ("child", "quantity", "places")

    def row(self, cleaned: Mapping[str, Any]) -> BomRow:
        names = cleaned["designators"].replace(",", " ").replace(";", " ").split()
        counted = cleaned["child"].unit_of_measure == EACH or not names
        each = Decimal(1) if counted else cleaned["quantity"] / len(names)
        return BomRow(cleaned["child"], cleaned["quantity"], names, each, cleaned["step_number"])


class StepRows(DraftRows):
    """The route. A step has more to say than a row has room for."""

    model = Step
    template = admin.StackedInline.template
    verbose_name_plural = "route"
    form = RowForm
    fields = (
        *("number", "name", "stations", "minutes", "caution", "instruction", "free_order", "alternative"),
        *("first_piece", "verification", "sample_every", "attempts", "qualification", "equipment_kind", "program"),
    )
    operation = staticmethod(set_route)

    def row(self, cleaned: Mapping[str, Any]) -> RouteRow:
        own = {name: cleaned[name] for name in self.fields if name != "equipment_kind"}
        named = {name: cleaned[name].key if cleaned[name] else "" for name in ("qualification", "program")}
        stations = [station.key for station in cleaned["stations"]]
        return RouteRow(**{**own, **named, "stations": stations, "equipment": cleaned["equipment_kind"]})


class CharacteristicRows(DraftRows):
    """What is measured or judged at its steps."""

    model = Characteristic
    verbose_name_plural = "what is measured or judged"
    form = RowForm
    fields = ("step_number", "name", "unit_of_measure", "lower", "target", "upper", "judge")
    operation = staticmethod(set_characteristics)

    def row(self, cleaned: Mapping[str, Any]) -> CharacteristicRow:
        return CharacteristicRow(**{name: cleaned[name] for name in self.fields})


class PlanRows(Rows):
    """The rows of an inspection plan, which no part knows of: they are of a higher area."""

    @classmethod
    def get_default_prefix(cls) -> str:
        return "inspection"


class InspectionRows(DraftRows):
    """What is inspected of every lot of a part that is bought; it may change at any time."""

    model = PlannedInspection
    formset = PlanRows
    template = admin.StackedInline.template
    verbose_name_plural = "incoming inspection"
    form = RowForm
    fields = (
        *("name", "manner", "aql", "level", "pieces", "allowable", "unit_of_measure", "lower", "upper"),
        *("equipment", "screen", "caution"),
    )
    operation = staticmethod(set_inspection)

    def _may(self, request: Any, obj: Any) -> bool:
        return bool(obj and not obj.level and may(roles_of(request.user), OPERATIONS["set_inspection"]))

    def row(self, cleaned: Mapping[str, Any]) -> InspectionRow:
        return InspectionRow(**{name: cleaned[name] for name in self.fields})
