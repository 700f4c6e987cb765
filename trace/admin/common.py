"""Who may look, who may change, and by what."""

from __future__ import annotations

from typing import Any

from trace.core.clock import now
from trace.core.permissions import OPERATIONS, may, roles_of


class KeepsAll:
    """Whom the site lets in may look; nothing is deleted: things retire."""

    def has_module_permission(self, request: Any) -> bool:
        return True

    def has_view_permission(self, request: Any, obj: Any = None) -> bool:
        return True

    def has_delete_permission(self, request: Any, obj: Any = None) -> bool:
        return False


def asking(request: Any) -> dict[str, Any]:
    """Who does something in the admin, and when, as every operation wants to know."""
    return {"by": request.user.person, "at": now()}


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
