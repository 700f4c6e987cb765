"""Who may look, who may change, and by what: operations, whose refusals stand beside the form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.contrib.messages import ERROR, SUCCESS
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from trace.core.errors import Refusal
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


def would_refuse(work: Callable[..., Any], arguments: Mapping[str, Any]) -> str:
    """What an operation says against it, or nothing; whatever it did is undone."""
    with transaction.atomic():
        try:
            work(**arguments)
        except Refusal as refusal:
            return str(refusal)
        finally:
            transaction.set_rollback(True)
    return ""


class Asked:
    """A record's form, which asks the operation that would save it, before anything is saved."""

    keeper: Asking
    request: HttpRequest

    def clean(self) -> dict[str, Any]:
        form: Any = self
        super().clean()  # type: ignore[misc]
        cleaned: dict[str, Any] = form.cleaned_data
        if not form.errors and form.has_changed():
            work, arguments = self.keeper.saving(self.request, form.instance, cleaned, form.changed_data)
            if refused := would_refuse(work, arguments):
                form.add_error(None, refused)
        return cleaned


class Asking(KeepsAll):
    """Records that operations write, each with a form that asks."""

    def saving(
        self, request: HttpRequest, record: Any, cleaned: Mapping[str, Any], changed: list[str]
    ) -> tuple[Callable[..., Any], dict[str, Any]]:
        """The operation that saves what a form says, and its arguments."""
        raise NotImplementedError

    def get_form(self, request: Any, obj: Any = None, change: bool = False, **more: Any) -> Any:
        form: Any = super().get_form(request, obj, change=change, **more)  # type: ignore[misc]
        return type("AskedForm", (Asked, form), {"keeper": self, "request": request})

    def save_model(self, request: Any, obj: Any, form: Any, change: bool) -> None:
        if form.has_changed():
            work, arguments = self.saving(request, obj, form.cleaned_data, form.changed_data)
            obj.__dict__.update(work(**arguments).__dict__)

    def carry_out(self, request: Any, said: str, acts: Iterable[Callable[[], Any]]) -> None:
        """What is done with records chosen from the list, one by one; what is refused is said, and the rest done."""
        done = False
        for act in acts:
            try:
                act()
            except Refusal as refusal:
                self.message_user(request, str(refusal), ERROR)  # type: ignore[attr-defined]
            else:
                done = True
        if done:
            self.message_user(request, said, SUCCESS)  # type: ignore[attr-defined]


class ByOperation(Asking):
    """Changed by whoever may carry out the operation, who is who by whoever may give roles."""

    verb = "set_roles"

    def has_add_permission(self, request: Any, obj: Any = None) -> bool:
        return may(roles_of(request.user), OPERATIONS[self.verb])

    has_change_permission = has_add_permission
