"""The floor of a rush: in the same stack a page that inserts one row, and nothing else."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from typing import Any

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
plant = get_wsgi_application()

from django.urls import path  # noqa: E402  (apps are ready only now)
from rest_framework.response import Response  # noqa: E402
from rest_framework.views import APIView  # noqa: E402

from trace.floor.models import Pass  # noqa: E402


@cache
def pattern() -> dict[str, Any]:
    """A pass that was, to be inserted again and again."""
    entry = Pass.objects.filter(inside=False).latest("pk")
    return {
        field.attname: getattr(entry, field.attname) for field in Pass._meta.concrete_fields if not field.primary_key
    }


class Bare(APIView):
    """Who asks is looked up as everywhere; then one row."""

    def post(self, request: Any) -> Response:
        return Response({"id": Pass.objects.create(**pattern()).pk}, status=201)


class Alive(APIView):
    """Whether the server is up."""

    authentication_classes: Sequence[Any] = ()
    permission_classes: Sequence[Any] = ()
    throttle_classes: Sequence[Any] = ()

    def get(self, request: Any) -> Response:
        return Response({})


urlpatterns = [path("bare/", Bare.as_view()), path("sign-in/", Alive.as_view())]


def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """The plant's application with this page instead of its own. Only who serves it changes the addresses: whoever
    imports this module keeps theirs."""
    settings.ROOT_URLCONF = __name__
    return plant(environ, start_response)
