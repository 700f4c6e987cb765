"""The admin site: whom it lets in is said by the table of permissions, as for every page."""

from __future__ import annotations

from typing import Any

from django.contrib.admin import AdminSite
from django.contrib.auth.views import redirect_to_login
from django.http import HttpResponseRedirect

from trace.core.permissions import PAGES, may, roles_of


class MasterDataSite(AdminSite):
    """Django's admin with the plant's own words and permissions."""

    site_title = "Traceability"
    site_header = "Master data"
    index_title = "What the plant is made of"
    index_template = "admin/plant.html"

    def has_permission(self, request: Any) -> bool:
        return request.user.is_active and may(roles_of(request.user), PAGES["admin"])

    def login(self, request: Any, extra_context: Any = None) -> HttpResponseRedirect:
        """There is one place to sign in."""
        return redirect_to_login(request.GET.get("next", "/admin/"))
