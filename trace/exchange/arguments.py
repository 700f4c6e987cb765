"""How an operation's arguments stand in a request, read off its signature."""

from __future__ import annotations

import dataclasses
import inspect
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from enum import Enum
from functools import cache
from typing import Any

from django.apps import apps
from django.db.models import Model, TextChoices
from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from rest_framework import serializers

from trace.core.clock import OPEN, Planned, Ticks, from_ticks, now, to_ticks
from trace.core.errors import Kind, Refusal
from trace.core.keys import KEY_LENGTH, UNSTORABLE
from trace.floor.models import Unit
from trace.floor.naming import list_named_units
from trace.ledger.source import true_moment

EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), from_ticks(OPEN)
AHEAD = timedelta(minutes=5)
"""By how much the clock of who sends may be ahead of the server's."""

ROWS = 10_000
"""The most that one list may hold."""


def has_key(model: type[Model]) -> bool:
    """Whether things of this kind are known by a key."""
    return any(field.name == "key" and getattr(field, "unique", False) for field in model._meta.get_fields())


class RecordField(serializers.Field):
    """A record by its key; one that has no key by its number."""

    default_error_messages = {
        "none": "No {kind} has the key {text}. Check the label.",
        "type": "Give the key of one {kind}, as text.",
        "several": "{text} is a serial of several units: {keys}. Scan the label of the one that is meant.",
    }

    def __init__(self, model: type[Model], **options: Any) -> None:
        super().__init__(**options)
        self.model = model
        self.by = "key" if has_key(model) else "pk"

    def to_internal_value(self, data: Any) -> Model:
        kind = str(self.model._meta.verbose_name)
        if isinstance(data, bool) or not isinstance(data, str | int):
            self.fail("type", kind=kind)
        text = str(data).strip().upper()[: KEY_LENGTH + 1]
        countable = text.isascii() and text.isdecimal() and int(text) < 2**63
        if UNSTORABLE.search(str(data)) or (self.by == "pk" and not countable):
            self.fail("none", kind=kind, text=UNSTORABLE.sub("", text))
        found = self.model._default_manager.filter(**{self.by: text}).first()
        return found or self._find_by_label(str(data)) or self.fail("none", kind=kind, text=text)

    def _find_by_label(self, text: str) -> Model | None:
        """A unit has other names than its key: a new label, a serial that others gave it."""
        named = list_named_units(text[: KEY_LENGTH * 3]) if self.model is Unit else []
        if len(named) > 1:
            self.fail("several", text=text, keys=", ".join(one.unit.key for one in named))
        return named[0].unit if named else None

    def to_representation(self, value: Model) -> Any:
        return getattr(value, self.by)


class ThingField(serializers.CharField):
    """Any thing, as `kind:key`."""

    def to_internal_value(self, data: Any) -> Any:
        kind, _, key = super().to_internal_value(data).partition(":")
        try:
            model = apps.get_model("trace", kind)
        except LookupError:
            model = None
        if model is None or not has_key(model):
            raise serializers.ValidationError(f"“{kind[:40]}” is no kind of thing: write such as lot:K7731.")
        return RecordField(model).to_internal_value(key)


class PlannedField(serializers.DateTimeField):
    """A moment that somebody set, also one to come: within what can be kept."""

    def __init__(self, **options: Any) -> None:
        super().__init__(default_timezone=UTC, **options)

    def to_internal_value(self, value: Any) -> datetime:
        try:
            moment = super().to_internal_value(value)
        except OverflowError:
            raise serializers.ValidationError("There is no such moment.") from None
        if not EARLIEST <= moment < LATEST:
            raise serializers.ValidationError("No plant will see this moment, or none was there.")
        return moment


class TicksField(PlannedField):
    """The same, in microseconds."""

    def to_internal_value(self, value: Any) -> Any:
        return to_ticks(super().to_internal_value(value))


class MomentField(PlannedField):
    """When something happened: never before 1970, and never yet to come. By the device's clock, where the request tells
    what that shows: the operation puts it right. Refuses with BadClock."""

    def to_internal_value(self, value: Any) -> datetime:
        moment = super().to_internal_value(value)
        if not EARLIEST <= true_moment(moment) <= now() + AHEAD:
            raise serializers.ValidationError(
                "This moment is yet to come, or long before any plant. Check the clock of the device."
            )
        return moment


class TupleField(serializers.ListField):
    """So many values in a fixed order."""

    def __init__(self, parts: Sequence[serializers.Field], **options: Any) -> None:
        super().__init__(min_length=len(parts), max_length=len(parts), **options)
        self.parts = parts

    def run_child_validation(self, data: Sequence[Any]) -> list[Any]:
        return [part.run_validation(item) for part, item in zip(self.parts, data, strict=False)]

    def to_internal_value(self, data: Any) -> tuple[Any, ...]:
        return tuple(super().to_internal_value(data))


class TupleSchema(OpenApiSerializerFieldExtension):
    """A tuple in OpenAPI 3.1."""

    target_class = TupleField

    def map_serializer_field(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        parts = [auto_schema._map_serializer_field(part, direction) for part in self.target.parts]
        return {"type": "array", "prefixItems": parts, "minItems": len(parts), "maxItems": len(parts)}


class RecordSchema(OpenApiSerializerFieldExtension):
    """A record's key is text; where a record has only its number, that is taken too."""

    target_class = RecordField

    def map_serializer_field(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        return {"type": "string", "maxLength": KEY_LENGTH} if self.target.by == "key" else {"type": "integer"}


def _whole(**options: Any) -> serializers.Field:
    return serializers.IntegerField(min_value=-OPEN, max_value=OPEN, **options)


class AmountField(serializers.DecimalField):
    """A number as it was written: without zeros at its end that a record with fewer decimals refuses."""

    def __init__(self, **options: Any) -> None:
        super().__init__(max_digits=14, decimal_places=6, **options)

    def quantize(self, value: Decimal) -> Decimal:
        return value


def _text(**options: Any) -> serializers.Field:
    return serializers.CharField(allow_blank=True, max_length=2_000, **options)


PLAIN: Mapping[Any, Callable[..., serializers.Field]] = {
    bool: serializers.BooleanField,
    int: _whole,
    Decimal: AmountField,
    str: _text,
    datetime: MomentField,
    Planned: PlannedField,
    Ticks: TicksField,
    date: serializers.DateField,
    time: serializers.TimeField,
    timedelta: serializers.DurationField,
    Model: ThingField,
}


def make_field(hint: Any, **options: Any) -> serializers.Field:
    """The field that takes a value of this type. TypeError for a type that no request can hold."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        kinds = [kind for kind in inner if kind is not type(None)]
        if len(kinds) < len(inner):
            options["allow_null"] = True
        return make_field(Decimal if Decimal in kinds else kinds[0], **options)
    if hint in PLAIN:
        return PLAIN[hint](**options)
    if origin is tuple and inner[-1] is not Ellipsis:
        return TupleField([make_field(kind) for kind in inner], **options)
    if origin is not None and issubclass(origin, Mapping):
        return serializers.DictField(child=make_field(inner[1]), **options)
    if origin is not None and issubclass(origin, Sequence):
        return serializers.ListField(child=make_field(inner[0]), max_length=ROWS, **options)
    if issubclass(hint, Model):
        return RecordField(hint, **options)
    if issubclass(hint, Enum):
        return ChoiceOf(hint, **options)
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return _row_serializer(hint)(**options)
    raise TypeError(f"{hint} has no field")


class ChoiceOf(serializers.ChoiceField):
    """A choice, as its own type."""

    def __init__(self, kind: type[Any], **options: Any) -> None:
        super().__init__(choices=[member.value for member in kind], **options)
        self.kind = kind

    def to_internal_value(self, data: Any) -> Any:
        return self.kind(super().to_internal_value(data))


def make_serializer(
    name: str, source: Callable[..., Any], makes: Callable[..., Any] | None = None, leave_out: Sequence[str] = ()
) -> type[serializers.Serializer]:
    """A serializer with a field for each parameter of `source`; `makes` turns what came into something."""
    hints = typing.get_type_hints(source)
    fields = {
        parameter.name: _field_of(hints[parameter.name], parameter.default)
        for parameter in inspect.signature(source).parameters.values()
        if parameter.name not in leave_out
    }
    methods: dict[str, Any] = {}
    if makes:

        def to_internal_value(self: serializers.Serializer, data: Any) -> Any:
            return makes(**serializers.Serializer.to_internal_value(self, data))

        methods["to_internal_value"] = to_internal_value
    return type(f"{name}Serializer", (serializers.Serializer,), {**fields, **methods})


@cache
def _row_serializer(row: type[Any]) -> type[serializers.Serializer]:
    """One for each kind of row, however many operations take it."""
    return make_serializer(row.__name__, row, row)


class Unreadable(Refusal):
    """What was sent can't be read."""

    code = "unreadable"
    kind = Kind.UNREADABLE
    action = "Correct it and send it again."


def read_arguments(source: Callable[..., Any], sent: Mapping[str, Any], leave_out: Sequence[str]) -> dict[str, Any]:
    """The parameters of `source` from texts, or lists of them, empty ones left out. Refuses with Unreadable."""
    texts = {name: text.strip() if isinstance(text, str) else text for name, text in sent.items()}
    texts = {name: text for name, text in texts.items() if text}
    arguments = make_serializer(getattr(source, "__name__", ""), source, leave_out=leave_out)(data=texts)
    if not arguments.is_valid():
        wrong = (f"{name.replace('_', ' ').capitalize()}: {errors[0]}" for name, errors in arguments.errors.items())
        raise Unreadable(" ".join(wrong))
    return dict(arguments.validated_data)


def _field_of(hint: Any, default: Any) -> serializers.Field:
    optional = {} if default is inspect.Parameter.empty else {"required": False}
    if isinstance(default, TextChoices):
        return serializers.ChoiceField(choices=type(default).choices, **optional)
    return make_field(hint, **optional)
