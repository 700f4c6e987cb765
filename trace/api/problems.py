"""What goes wrong, as RFC 9457 problem details: the refusal's code, its sentence, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import exceptions, serializers
from rest_framework.response import Response
from rest_framework.views import APIView, set_rollback

from trace.core.errors import Refusal
from trace.exchange.statuses import status_of
from trace.ledger.canonical import plain

MEDIA_TYPE = "application/problem+json"


class Problem(serializers.Serializer):
    """RFC 9457 problem details; `code`, `action` and `extra` are of our own."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField()
    action = serializers.CharField(allow_blank=True)
    extra = serializers.DictField(child=serializers.JSONField(allow_null=True))


EVERYWHERE = (401, 403, 429)
"""What any request may be answered: who asks is not known, may not, or asks too often."""


def problems(*codes: int) -> dict[Any, Any]:
    """The answers that are problems, for a schema: these, and those that there are everywhere."""
    return {(code, MEDIA_TYPE): Problem for code in sorted({*EVERYWHERE, *codes})}


DEVICE_TIME = OpenApiParameter(
    "Device-Time",
    OpenApiTypes.DATETIME,
    OpenApiParameter.HEADER,
    description="What the device's clock shows as it sends: what that is off is taken away from every moment that the "
    "request tells (at, entered …). Off by more than a day is refused.",
)
"""Of every request that tells moments."""


class Nowhere(APIView):
    """Any other address: a problem, not a page."""

    schema = None

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        self.http_method_not_allowed = self.miss
        return super().dispatch(request)

    def miss(self, request: Any, *args: Any, **kwargs: Any) -> Response:
        """404, whatever the method."""
        raise Http404


def describe(error: Exception) -> dict[str, Any] | None:
    """What went wrong as problem details; None for a programming error, which stays a 500."""
    if isinstance(error, Refusal):
        extra = {name: _plain(value) for name, value in error.extra.items()}
        return _problem(status_of(error), error.code, error.message, error.action, extra)
    if isinstance(error, exceptions.ValidationError):
        action = "Correct the named fields and send it again."
        return _problem(400, "bad-request", "The request can't be read so.", action, {"fields": error.detail})
    if isinstance(error, exceptions.Throttled):
        wait = f"{error.wait} second{'' if error.wait == 1 else 's'}"
        action = "Wait as long as Retry-After says, then send it again."
        return _problem(429, "too-often", f"That was asked too often: the next is answered in {wait}.", action, {})
    if isinstance(error, exceptions.APIException):
        return _problem(error.status_code, str(error.default_code).replace("_", "-"), str(error.detail), "", {})
    return None


def answer_problem(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """The translator of refusals for the API."""
    if isinstance(error, Http404):
        error = exceptions.NotFound("Nothing on record answers to this.")
    elif isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    problem = describe(error)
    if problem is None:
        return None
    told = {"WWW-Authenticate": getattr(error, "auth_header", ""), "Retry-After": getattr(error, "wait", "")}
    headers = {name: str(value) for name, value in told.items() if value}
    set_rollback()
    return Response(problem, status=problem["status"], headers=headers, content_type=MEDIA_TYPE)


def _problem(code: int, name: str, detail: str, action: str, extra: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": f"urn:problem:{name}",
        "title": name.replace("-", " ").capitalize(),
        "status": code,
        "detail": detail,
        "code": name,
        "action": action,
        "extra": extra,
    }


def _plain(value: Any) -> Any:
    try:
        return plain(value)
    except TypeError:
        return str(value)
