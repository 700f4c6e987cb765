"""The page on which the API can be tried, served from this machine."""

from __future__ import annotations

from functools import cache
from typing import Any

from csp.decorators import csp_update
from django.contrib.auth.decorators import login_required
from django.utils.decorators import method_decorator
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView
from rest_framework.response import Response


@cache
def make_schema() -> Any:
    """The schema: it is of the code, the same for everybody, and takes a while to make."""
    return SchemaGenerator().get_schema(public=True)


class Schema(SpectacularAPIView):
    """OpenAPI 3.1 of everything under this address."""

    def _get_schema_response(self, request: Any) -> Response:
        name = self._get_filename(request, "")
        return Response(data=make_schema(), headers={"Content-Disposition": f'inline; filename="{name}"'})


@method_decorator(login_required, name="dispatch")
@method_decorator(csp_update({"img-src": ["data:"]}), name="dispatch")  # the style sheet's arrows
class Docs(SpectacularSwaggerSplitView):
    """Every operation with its fields; a request can be sent with the session of the page, or with a token."""

    template_name = "api.html"
    url_name = "api:schema"
