"""Files that a planner brings in: a bill of material, placements. All of a file or nothing of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, NamedTuple

from django.urls import path
from django.urls.resolvers import URLPattern
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from trace.api.problems import DEVICE_TIME, problems
from trace.core.permissions import OPERATIONS, check_permitted, in_words
from trace.core.verbs import sentence
from trace.engineering.csv_file import FileTable
from trace.engineering.models import Part
from trace.engineering.operations import import_bom, import_placements
from trace.exchange.arguments import MomentField, RecordField
from trace.exchange.ipc2581 import is_xml, read_bom, read_placements
from trace.ledger.canonical import plain

LONGEST = 32_000_000


class Kind(NamedTuple):
    """How a file is imported: by what, as the operation of which name, read how where it is IPC-2581."""

    work: Callable[..., Any]
    verb: str
    read_xml: Callable[[bytes], FileTable]


KINDS = {
    "bom": Kind(import_bom, "enter_bom", read_bom),
    "placements": Kind(import_placements, "enter_placements", read_placements),
}


class FileRequest(serializers.Serializer):
    """A file of an assembly: CSV or IPC-2581, as text. `mapping` is our field to the file's column."""

    assembly = RecordField(Part)
    content = serializers.CharField(max_length=LONGEST, trim_whitespace=False)
    mapping = serializers.DictField(child=serializers.CharField(max_length=200), required=False)
    delimiter = serializers.CharField(max_length=5, required=False, allow_blank=True, trim_whitespace=False)
    dry_run = serializers.BooleanField(required=False)
    at = MomentField()


class FileReport(serializers.Serializer):
    """What was made, or would be: the columns as they were read, and what should be looked at."""

    lines = serializers.IntegerField()
    dry_run = serializers.BooleanField()
    columns = serializers.DictField(child=serializers.CharField())
    ignored = serializers.ListField(child=serializers.CharField())
    remarks = serializers.ListField(child=serializers.CharField())


class FileImport(APIView):
    """Import a file. A dry run refuses the same, and changes nothing."""

    kind: Kind

    def post(self, request: Any) -> Response:
        check_permitted(str(request.user.person), request.user.person.roles, self.kind.verb)
        sent = FileRequest(data=request.data)
        sent.is_valid(raise_exception=True)
        arguments = dict(sent.validated_data)
        content = arguments["content"].encode()
        if is_xml(content):
            arguments["content"] = self.kind.read_xml(content)
        report = self.kind.work(by=request.user.person, **arguments)
        told = {field.name: getattr(report, field.name) for field in dataclasses.fields(report)}
        told.pop("assembly")
        rows = told.pop("rows", None) or told.pop("placements", ())
        return Response({"lines": len(rows), **plain(told)})


def make_routes() -> list[URLPattern]:
    """An address for each kind of file."""
    return [path(f"files/{name}/", _view_of(name, kind), name=f"file-{name}") for name, kind in KINDS.items()]


def _view_of(name: str, kind: Kind) -> Callable[..., Any]:
    schema = extend_schema(
        operation_id=f"import_{name}",
        tags=["files"],
        summary=sentence(kind.verb),
        description=f"{FileRequest.__doc__}\n\nFor {in_words(OPERATIONS[kind.verb])}.",
        parameters=[DEVICE_TIME],
        request=FileRequest,
        responses={
            200: FileReport,
            **problems(400, 404, 409),
        },
    )
    view: type[FileImport] = type(f"{name.title()}File", (FileImport,), {"kind": kind})
    return extend_schema_view(post=schema)(view).as_view()
