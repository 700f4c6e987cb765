"""What machines send in batches: an operation a line. A line that is refused stops no other."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.response import Response
from rest_framework.views import APIView

from trace.api.operations import ELSEWHERE, carry_out, find_operations
from trace.api.problems import DEVICE_TIME, describe, problems
from trace.core.models import Person

LINES = "application/x-ndjson"
MOST = 10_000
"""Lines in one request."""


class LineParser(BaseParser):
    """The lines as they came."""

    media_type = LINES

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> list[bytes]:
        return stream.read().splitlines()


class LineRenderer(BaseRenderer):
    """A line of JSON for each answer; a problem with the whole request is one."""

    media_type, format = LINES, "ndjson"

    def render(self, data: Any, *context: Any) -> bytes:
        answers = data if isinstance(data, list) else [data]
        return b"".join(JSONRenderer().render(answer) + b"\n" for answer in answers)


class Intake(APIView):
    """Operations of one sender, in the order of their lines."""

    parser_classes = [LineParser]
    renderer_classes = [LineRenderer]

    @extend_schema(
        operation_id="take_in",
        tags=["intake"],
        summary="Operations in a batch, one a line",
        parameters=[DEVICE_TIME],
        request={LINES: OpenApiTypes.STR},
        responses={
            (200, LINES): OpenApiTypes.STR,
            **problems(400, 406, 415),
        },
    )
    def post(self, request: Any) -> Response:
        """A line is `{"operation": "record_passes", "key": "BT1-00017", …arguments}`; empty ones are passed over.
        Each is carried out by itself, once under its key, and answered by `{line, status, result}` or
        `{line, status, problem}`: send those that were not answered again, under the same keys."""
        lines = [(number, line) for number, line in enumerate(request.data, 1) if line.strip()]
        if not 0 < len(lines) <= MOST:
            raise ValidationError({"lines": [f"Send 1 to {MOST} lines at once, not {len(lines)}."]})
        return Response(list(_answer(lines, request.user.person)))


def _answer(lines: list[tuple[int, bytes]], by: Person) -> Iterator[dict[str, Any]]:
    for number, line in lines:
        try:
            yield {"line": number, "status": 201, "result": _take(line, by)}
        except Exception as error:
            problem = describe(error)
            if problem is None:
                raise
            yield {"line": number, "status": problem["status"], "problem": problem}


def _take(line: bytes, by: Person) -> Any:
    try:
        sent = json.loads(line)
    except (ValueError, RecursionError):
        raise ValidationError({"line": ["This is no JSON."]}) from None
    if not isinstance(sent, dict):
        raise ValidationError({"line": ["Send an object with operation, key and the arguments."]})
    verb, key = sent.pop("operation", ""), sent.pop("key", "")
    if not isinstance(verb, str) or verb in ELSEWHERE or verb not in find_operations():
        raise ValidationError({"operation": [f"“{str(verb)[:60]}” is no operation."]})
    if not isinstance(key, str):
        raise ValidationError({"key": ["The key is text."]})
    return carry_out(verb, by, key, sent)
