"""Master data as CSV lists: out as they stand, and in with a look at what changes before it does."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from trace.core.clock import now
from trace.core.errors import NotFound
from trace.core.permissions import OPERATIONS, in_words, may, roles_of
from trace.exchange.lists.files import ListRefused, export_list, import_list, write_csv
from trace.exchange.lists.kinds import KINDS, Kind

SHOWN = 500
"""So many changes and problems are shown; all of them count."""


def lists(request: HttpRequest) -> HttpResponse:
    """Every kind of list."""
    kinds = [(name, kind, kind.columns, in_words(OPERATIONS[kind.asks])) for name, kind in KINDS.items()]
    return render(request, "lists.html", {"kinds": kinds})


def one_list(request: HttpRequest, name: str) -> HttpResponse:
    """One list: its download, and the form that brings one in."""
    kind = _find(name)
    permitted = OPERATIONS[kind.asks]
    columns = [
        (column, list(filter(None, getattr(field, "choices", ()))))
        for column, field in kind.serializer().fields.items()
    ]
    context: dict[str, Any] = {
        "name": name,
        "kind": kind,
        "needed": [column for column in columns if column[0] not in kind.defaults],
        "optional": [column for column in columns if column[0] in kind.defaults],
        "may": may(roles_of(request.user), permitted),
        "who": in_words(permitted),
    }
    status = 200
    if request.method == "POST":
        sent = request.FILES.get("file")
        content: bytes | str = sent.read() if sent else request.POST.get("content", "")
        context["content"] = content.decode("utf-8-sig", "replace") if isinstance(content, bytes) else content
        look = request.POST.get("do") != "bring in"
        try:
            context["report"] = report = import_list(
                kind,
                content=content,
                dry_run=look,
                by=request.user.person,  # type: ignore[union-attr,arg-type]
                at=now(),
            )
            context["shown"] = report.changes[:SHOWN]
        except ListRefused as refusal:
            context["refusal"], context["problems"] = refusal, refusal.problems[:SHOWN]
            status = 409
    return render(request, "list.html", context, status=status)


def download(request: HttpRequest, name: str) -> HttpResponse:
    """The list as it stands."""
    response = HttpResponse(write_csv(export_list(_find(name))), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


def _find(name: str) -> Kind:
    if name not in KINDS:
        raise NotFound(f"There is no list “{name[:40]}”.", action=f"The lists: {', '.join(KINDS)}.")
    return KINDS[name]
