"""Lists of master data: taken out as CSV, brought in with what they change."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from django.http import HttpResponse
from django.urls import path
from django.urls.resolvers import URLPattern
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.response import Response
from rest_framework.views import APIView

from trace.api.files import LONGEST
from trace.api.problems import DEVICE_TIME, problems
from trace.core.permissions import OPERATIONS, PAGES, check_permitted, check_reads, in_words, roles_of
from trace.exchange.arguments import MomentField
from trace.exchange.lists.files import export_list, import_list, write_csv
from trace.exchange.lists.kinds import KINDS, Kind


class ListRequest(serializers.Serializer):
    """The lines as CSV, the first of them the names of the columns. A dry run refuses the same, and changes nothing."""

    content = serializers.CharField(max_length=LONGEST, trim_whitespace=False)
    dry_run = serializers.BooleanField(required=False)
    at = MomentField()


class ListChange(serializers.Serializer):
    """A line that is new, changed or gone; of each column what it said before and says after."""

    what = serializers.CharField()
    name = serializers.CharField(allow_blank=True)
    cells = serializers.DictField(child=serializers.ListField(child=serializers.CharField(allow_blank=True)))


class ListAnswer(serializers.Serializer):
    """What a list changed, or would change."""

    lines = serializers.IntegerField()
    changes = ListChange(many=True)
    ignored = serializers.ListField(child=serializers.CharField())
    dry_run = serializers.BooleanField()


class Lines(BaseRenderer):
    """CSV."""

    media_type, format = "text/csv", "csv"

    def render(self, data: Any, *context: Any) -> bytes:
        """A problem, where there is one instead."""
        return JSONRenderer().render(data)


class List(APIView):
    """One kind of list."""

    kind: Kind
    renderer_classes = [JSONRenderer, Lines]

    def get(self, request: Any) -> HttpResponse:
        """As it stands."""
        who = request.user
        check_reads(str(who.person), roles_of(who), f"the list of {self.kind.title.lower()}", PAGES["list-csv"])
        return HttpResponse(write_csv(export_list(self.kind)), content_type="text/csv; charset=utf-8")

    def post(self, request: Any) -> Response:
        person = request.user.person
        check_permitted(str(person), person.roles, self.kind.asks)
        sent = ListRequest(data=request.data)
        sent.is_valid(raise_exception=True)
        report = import_list(self.kind, by=person, **sent.validated_data)
        told = {name: getattr(report, name) for name in ListAnswer().fields}
        return Response({**told, "changes": [dataclasses.asdict(change) for change in report.changes]})


def make_routes() -> list[URLPattern]:
    """An address for each kind of list."""
    return [path(f"lists/{name}/", _view_of(name, kind), name=f"list-{name}") for name, kind in KINDS.items()]


def _view_of(name: str, kind: Kind) -> Callable[..., Any]:
    columns = f"{kind.title}. Columns: {', '.join(kind.columns)}."
    view: type[List] = type(f"{name.title()}List", (List,), {"kind": kind})
    return extend_schema_view(
        get=extend_schema(
            operation_id=f"take_{name}",
            tags=["lists"],
            summary=f"{kind.title}: take the list out",
            description=columns,
            responses={(200, "text/csv"): OpenApiTypes.STR, **problems(406)},
        ),
        post=extend_schema(
            operation_id=f"bring_{name}",
            tags=["lists"],
            summary=f"{kind.title}: bring a list in",
            description=f"{columns} {ListRequest.__doc__}\n\nFor {in_words(OPERATIONS[kind.asks])}.",
            request=ListRequest,
            parameters=[DEVICE_TIME],
            responses={(200, "application/json"): ListAnswer, **problems(400, 406, 409)},
        ),
    )(view).as_view()
