"""The page on which the API can be tried, served from this machine."""

from __future__ import annotations

from csp.decorators import csp_update
from django.contrib.auth.decorators import login_required
from django.utils.decorators import method_decorator
from drf_spectacular.views import SpectacularSwaggerSplitView


@method_decorator(login_required, name="dispatch")
@method_decorator(csp_update({"img-src": ["data:"]}), name="dispatch")  # the style sheet's arrows
class Docs(SpectacularSwaggerSplitView):
    """Every operation with its fields; a request can be sent with the session of the page, or with a token."""

    template_name = "api.html"
    url_name = "api:schema"
