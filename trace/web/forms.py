"""Pages on which something is done: a form, and what becomes of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any, cast

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase

from trace.core.clock import now
from trace.core.errors import Kind, Refusal
from trace.exchange.statuses import status_of
from trace.web.tables import Table, respond


def fill_in(request: HttpRequest, template: str, context: dict[str, Any], do: Callable[[], str]) -> HttpResponse:
    """A page with a form. What was sent is done, and leads on to where `do` says; where it is refused, the form
    stays as it was filled in, with the refusal above it."""
    return cast(HttpResponse, do_or_show(request, template, do, lambda: (context, [])))  # only tables are streamed


def do_or_show(
    request: HttpRequest,
    template: str,
    do: Callable[[], str],
    show: Callable[[], tuple[dict[str, Any], list[Table]]],
    name: str = "",
) -> HttpResponseBase:
    """The same for a page with tables, that is made up only where it is shown; `name` is what its files are called."""
    refusal = None
    if request.method == "POST":
        try:
            return HttpResponseRedirect(do())
        except Refusal as refused:
            refusal = refused
    context, tables = show()
    context = {**context, "refusal": refusal, "sent": request.POST}
    response = respond(request, template, context, tables, name=name or template.removesuffix(".html"))
    if refusal:
        response.status_code = status_of(refusal)
    return response


def asking(request: HttpRequest) -> dict[str, Any]:
    """Who does something, and when, as every operation wants to know."""
    return {"by": request.user.person, "at": now()}  # type: ignore[union-attr]


class BadDay(Refusal):
    """A day of a form can't be read."""

    code = "bad-day"
    kind = Kind.UNREADABLE
    action = "Write it such as 2026-12-24."


def read_day(text: str) -> date:
    """A day as a form sends it. Refuses with BadDay."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadDay(f"“{text[:20]}” is no day.") from None
