"""Who may look, who may change, and by what."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from trace.core.permissions import OPERATIONS, may, roles_of
from trace.ledger.canonical import subject_of
from trace.web.record import record_link


class KeepsAll:
    """Whom the site lets in may look; nothing is deleted: things retire. Its history is the record's."""

    def has_module_permission(self, request: Any) -> bool:
        return True

    def has_view_permission(self, request: Any, obj: Any = None) -> bool:
        return True

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return False

    def history_view(self, request: HttpRequest, object_id: str, extra_context: Any = None) -> HttpResponse:
        """What happened to it stands in the ledger, not in a log of the admin's own."""
        found = self.get_object(request, object_id)  # type: ignore[attr-defined]
        kind, key = subject_of(found) if found else ("", "")
        return redirect(record_link(kind=kind, key=key))


class ShowsOnly(KeepsAll):
    """What operations write can be looked at."""

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: Any, obj: Any = None) -> bool:
        return False


class ByOperation(KeepsAll):
    """Changed by whoever may carry out the operation, who is who by whoever may give roles."""

    verb = "set_roles"

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return may(roles_of(request.user), OPERATIONS[self.verb])

    has_change_permission = has_add_permission
