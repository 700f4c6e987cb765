"""A POST for every operation. Its arguments are the request's body, its name the address, its refusals problems."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import typing
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

from django.db.models import Model
from django.urls import path
from django.urls.resolvers import URLPattern
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers, status
from rest_framework.exceptions import ValidationError
from rest_framework.response import Response
from rest_framework.views import APIView

import trace
from trace.api.problems import DEVICE_TIME, problems
from trace.api.things import represent, serializer_of
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.core.permissions import OPERATIONS, check_permitted, in_words
from trace.core.verbs import sentence
from trace.exchange.arguments import make_serializer
from trace.ledger.operation import Request

KEY = "Idempotency-Key"
AREAS = ("engineering", "approvals", "holds", "material", "floor", "containment")
ELSEWHERE = frozenset(
    {
        *("issue_token", "issue_badge", "issue_device", "bind_device", "enter_bom", "enter_placements"),
        *("attach_file", "sign"),
    }
)
"""Not carried out by themselves: who has a token must not make another way in, a file comes as a file
(`api/files.py`), and a signature with account and password (`api/approvals.py`)."""


@cache
def find_operations() -> Mapping[str, Callable[..., Any]]:
    """{verb: operation}, of all areas."""
    found: dict[str, Callable[..., Any]] = {}
    for area in AREAS:
        package = importlib.import_module(f"{trace.__name__}.{area}")
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            for name, value in vars(importlib.import_module(module.name)).items():
                if getattr(value, "is_operation", False):
                    found[name] = value
    return dict(sorted(found.items()))


@cache
def serializer_for(verb: str) -> type[serializers.Serializer]:
    """What a request for an operation holds."""
    name = "".join(word.title() for word in verb.split("_"))
    return make_serializer(name, find_operations()[verb], leave_out=("by",))


def carry_out(verb: str, by: Person, key: str, sent: Any) -> Any:
    """Do what a request asks, once under its key, and show what came of it. Refuses with NotPermitted, BadText,
    RequestReused, ValidationError, and what the operation refuses."""
    key = clean_text(key, 80, f"The {KEY}")
    if not key:
        raise ValidationError({KEY: ["Give each request a key of its own, and repeat it under that key."]})
    check_permitted(str(by), by.roles, verb)
    arguments = serializer_for(verb)(data=sent)
    arguments.is_valid(raise_exception=True)
    asked = Request(f"api:{by.key}", key)
    return represent(find_operations()[verb](by=by, request=asked, **arguments.validated_data), by.roles)


class Operation(APIView):
    """One operation. A repeat of a request under the same key gets the first answer and changes nothing."""

    verb = ""

    def post(self, request: Any) -> Response:
        done = carry_out(self.verb, request.user.person, request.headers.get(KEY, ""), request.data)
        return Response(done, status=status.HTTP_201_CREATED)


def _result_of(verb: str) -> Any:
    """What an operation answers, for the schema."""
    hint = typing.get_type_hints(find_operations()[verb])["return"]
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    many, kind = (True, inner[0]) if origin is list else (False, hint)
    if kind is Model:
        return OpenApiTypes.OBJECT
    if not (isinstance(kind, type) and issubclass(kind, Model)):
        return serializers.ListSerializer(child=serializers.DictField(child=serializers.JSONField(allow_null=True)))
    return serializer_of(kind)(many=many)


def _view_of(verb: str) -> Callable[..., Any]:
    words = inspect.getdoc(find_operations()[verb]) or ""
    schema = extend_schema(
        operation_id=verb,
        tags=[find_operations()[verb].__module__.split(".")[1]],
        summary=sentence(verb),
        description=f"{words}\n\nFor {in_words(OPERATIONS[verb])}.",
        parameters=[
            OpenApiParameter(KEY, str, OpenApiParameter.HEADER, required=True, description="One for each request."),
            DEVICE_TIME,
        ],
        request=serializer_for(verb),
        responses={
            201: _result_of(verb),
            **problems(400, 404, 409, 423),
        },
    )
    view: type[Operation] = type(f"{verb.title().replace('_', '')}View", (Operation,), {"verb": verb})
    return extend_schema_view(post=schema)(view).as_view()


def make_routes() -> list[URLPattern]:
    """The address of each operation: its name with hyphens."""
    return [
        path(f"operations/{verb.replace('_', '-')}/", _view_of(verb), name=f"do-{verb}")
        for verb in find_operations()
        if verb not in ELSEWHERE
    ]
