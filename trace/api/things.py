"""Everything on record, to be read: lists that page and filter, and single records by their keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cache
from typing import Any

import django_filters
from django.apps import apps
from django.db import models
from django.db.models import Model
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import pagination, routers, serializers, viewsets

from trace.api.problems import problems
from trace.core.clock import OPEN, from_ticks
from trace.core.models import TickField
from trace.core.permissions import COSTS, EVERYONE, READING, WITHHELD, check_reads, in_words, roles_of, withheld
from trace.exchange.arguments import has_key
from trace.ledger.canonical import plain
from trace.ledger.models import Event

NAMES = {
    "aliases": "Alias",
    "attachments": "Attachment",
    "axes": "Axis",
    "bag-records": "BagRecord",
    "batch-passes": "BatchPass",
    "bath-limits": "BathLimit",
    "bath-readings": "BathReading",
    "bom-lines": "BomLine",
    "calibrations": "Calibration",
    "calls": "Call",
    "carried-units": "Carried",
    "carton-closings": "Closing",
    "cartons": "Carton",
    "cause-codes": "CauseCode",
    "characteristics": "Characteristic",
    "check-pieces": "CheckPiece",
    "clean-points": "CleanPoint",
    "conformities": "Conformity",
    "consignments": "Consignment",
    "containers": "Container",
    "containment-clearings": "Clearing",
    "containment-remarks": "Remark",
    "containment-watches": "Watch",
    "containment-rates": "ContainmentRate",
    "containment-snapshot-stock": "SnapshotStock",
    "containment-snapshot-units": "SnapshotUnit",
    "containment-snapshots": "Snapshot",
    "containment-terms": "Term",
    "containments": "Containment",
    "counts": "Count",
    "customers": "Customer",
    "days-off": "DayOff",
    "deliveries": "Delivery",
    "derivations": "Derivation",
    "designators": "Designator",
    "deviations": "Deviation",
    "devices": "Device",
    "diagnoses": "Diagnosis",
    "disposition-members": "DispositionMember",
    "dispositions": "Disposition",
    "empty-places": "EmptyPlace",
    "entries": "Event",
    "entry-subjects": "EventSubject",
    "equipment": "Equipment",
    "expected-packages": "Expected",
    "fault-codes": "FaultCode",
    "faults": "Fault",
    "feed-records": "FeedRecord",
    "feeds": "Feed",
    "first-pieces": "FirstPiece",
    "fittings": "Fitting",
    "holds": "Hold",
    "hourly-rates": "HourlyRate",
    "inspection-counts": "InspectionCount",
    "inspection-readings": "InspectionReading",
    "inspections": "Inspection",
    "loose-children": "LooseSighting",
    "lot-statuses": "LotStatus",
    "lots": "Lot",
    "mounts": "Mount",
    "notices": "Notice",
    "orders": "WorkOrder",
    "packing-lines": "PackingLine",
    "packings": "Packing",
    "pallets": "Pallet",
    "panel-places": "PanelPlace",
    "parts": "Part",
    "passes": "Pass",
    "people": "Person",
    "piece-checks": "PieceCheck",
    "placements": "Placement",
    "planned-inspections": "PlannedInspection",
    "program-loads": "ProgramLoad",
    "programs": "Program",
    "qualifications": "Qualification",
    "qualified-people": "Qualified",
    "quality-outlays": "QualityOutlay",
    "racks-and-panels": "Carrier",
    "readings": "Reading",
    "receipts": "Receipt",
    "reconciliations": "Reconciliation",
    "refused-scans": "RefusedScan",
    "repairs": "Repair",
    "returns": "Return",
    "salvages": "Salvage",
    "sample-entries": "SampleEntry",
    "sample-rules": "SampleRule",
    "samples": "Sample",
    "sampling-rulings": "SamplingRuling",
    "scrapped-parts": "ScrappedParts",
    "serial-rules": "SerialRule",
    "set-up-lines": "SetUpLine",
    "set-ups": "SetUp",
    "shifts": "Shift",
    "shipments": "Shipment",
    "signatures": "Signature",
    "sites": "Site",
    "skips": "Skip",
    "sources": "Source",
    "spans": "Span",
    "stackings": "Stacking",
    "standard-costs": "StandardCost",
    "stations": "Station",
    "steps": "Step",
    "substitutes": "Substitute",
    "suppliers": "Supplier",
    "tape-readings": "TapeReading",
    "tape-stops": "TapeStop",
    "tapes": "Tape",
    "units": "Unit",
}
"""What is read under which address: the model."""

KINDS: Mapping[str, type[Model]] = {address: apps.get_model("trace", name) for address, name in NAMES.items()}

POSITIONS = frozenset({"first", "last", "end", "sure_from"})
"""Fields that are a position on an axis; other ticks are moments."""

INSIDE = frozenset({"superseded", "length_class", "oldest", "by_designator", "password", "digest", "pin", "seal"})
"""Fields of the system's own, secrets among them. What is superseded is not listed."""


@extend_schema_field(OpenApiTypes.DATETIME)
class TickMoment(serializers.Field):
    """A moment kept as microseconds; null where it has no end."""

    def to_representation(self, value: int) -> datetime | None:
        return None if value >= OPEN else from_ticks(value)


class Record(serializers.ModelSerializer):
    """A record, without what whoever asks does not see: that is null. `roles` of theirs stand in the context."""

    def to_representation(self, instance: Model) -> dict[str, Any]:
        hidden = withheld(self.context.get("roles", ()))
        shown = super().to_representation(instance)
        if isinstance(instance, Event) and instance.tells(hidden):
            hidden.add("payload")
        return {name: None if name in hidden else value for name, value in shown.items()}


@cache
def serializer_of(model: type[Model]) -> type[serializers.ModelSerializer]:
    """How a record is shown: other records by their keys."""
    fields = [field for field in model._meta.concrete_fields if field.name not in INSIDE]
    shown: dict[str, Any] = {}
    for field in fields:
        if isinstance(field, models.ForeignKey) and has_key(field.related_model):
            shown[field.name] = serializers.SlugRelatedField("key", read_only=True, allow_null=field.null)
        elif isinstance(field, TickField) and field.name not in POSITIONS:
            shown[field.name] = TickMoment(read_only=True, allow_null=True)
        elif field.generated:  # all of ours are whole numbers
            shown[field.name] = serializers.IntegerField(read_only=True, allow_null=True)
        elif isinstance(field, models.JSONField):  # all of ours are lists of text
            shown[field.name] = serializers.ListField(
                child=serializers.CharField(), read_only=True, allow_null=field.null
            )
    names = [field.name for field in fields]
    if hasattr(model, "said"):  # what the answer of an operation says beside the row
        shown["said"] = serializers.JSONField(read_only=True)
        names.append("said")
    words = {"allow_null": True, "help_text": f"null for whoever is not {in_words(COSTS)}"}
    told = {name: words for name in names if name in WITHHELD or (model, name) == (Event, "payload")}
    meta = type("Meta", (), {"model": model, "fields": names, "extra_kwargs": told})
    return type(f"{model.__name__}Record", (Record,), {**shown, "Meta": meta})


def represent(result: Any, roles: Sequence[str]) -> Any:
    """What an operation answered, as data for somebody with these roles."""
    if isinstance(result, Model):
        return serializer_of(type(result))(result, context={"roles": roles}).data
    if isinstance(result, list | tuple):
        return [represent(one, roles) for one in result]
    return plain(result)


class Records(viewsets.ReadOnlyModelViewSet):
    """The records of one kind, for those who may read them."""

    def check_permissions(self, request: Any) -> None:
        super().check_permissions(request)
        kind = self.queryset.model._meta
        permitted = READING.get(kind.model_name, EVERYONE)
        check_reads(str(request.user.person), roles_of(request.user), str(kind.verbose_name_plural), permitted)

    def get_serializer_context(self) -> dict[str, Any]:
        return {**super().get_serializer_context(), "roles": roles_of(self.request.user)}


class Pages(pagination.CursorPagination):
    """In the order of recording: a page stays where it is while others record."""

    ordering = "pk"
    page_size = 100
    page_size_query_param = "page_size"
    max_page_size = 1_000


def _filters_of(model: type[Model]) -> type[django_filters.FilterSet]:
    """Filters by other records, by their keys, and by what is one of a few."""
    found: dict[str, Any] = {}
    for field in model._meta.concrete_fields:
        if isinstance(field, models.ForeignKey):
            if has_key(field.related_model):
                found[field.name] = django_filters.CharFilter(field_name=f"{field.name}__key")
            else:
                found[field.name] = django_filters.NumberFilter(
                    field_name=f"{field.name}_id", min_value=0, max_value=2**63 - 1
                )
        elif field.choices:
            found[field.name] = django_filters.ChoiceFilter(choices=field.choices)
    meta = type("Meta", (), {"model": model, "fields": []})
    return type(f"{model.__name__}Filters", (django_filters.FilterSet,), {**found, "Meta": meta})


def _viewset_of(address: str, model: type[Model]) -> type[Records]:
    standing = {"superseded": None} if any(field.name == "superseded" for field in model._meta.concrete_fields) else {}
    others = [
        field.name
        for field in model._meta.concrete_fields
        if isinstance(field, models.ForeignKey) and has_key(field.related_model)
    ]
    name = model._meta.object_name or ""
    words = " ".join((model.__doc__ or "").split())
    view = type(
        f"{name}View",
        (Records,),
        {
            "queryset": model._default_manager.filter(**standing).select_related(*others).order_by("pk"),
            "serializer_class": serializer_of(model),
            "pagination_class": Pages,
            "filter_backends": [DjangoFilterBackend],
            "filterset_class": _filters_of(model),
            "lookup_field": "key" if has_key(model) else "pk",
            "lookup_value_regex": "[A-Z0-9-]{1,120}" if has_key(model) else "[0-9]{1,18}",
        },
    )
    one, many = serializer_of(model), serializer_of(model)(many=True)
    return extend_schema_view(
        list=extend_schema(
            operation_id=f"list_{address.replace('-', '_')}",
            tags=["on record"],
            summary=f"List {model._meta.verbose_name_plural}",
            description=words,
            responses={200: many, **problems(400, 404)},
        ),
        retrieve=extend_schema(
            operation_id=f"get_{address.replace('-', '_')}",
            tags=["on record"],
            summary=f"Read one of the {model._meta.verbose_name_plural}",
            description=words,
            responses={200: one, **problems(400, 404)},
        ),
    )(view)


def make_router() -> routers.SimpleRouter:
    """An address for each kind."""
    router = routers.SimpleRouter()
    for address, model in KINDS.items():
        router.register(address, _viewset_of(address, model), basename=address)
    return router
