"""What stands around every page: the plant's name and zone, and a page for each refusal."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.utils.functional import SimpleLazyObject

from trace.core.errors import Refusal
from trace.core.permissions import BY_BADGE, OPEN_TO_ALL, PAGES, Roles, in_words, may, roles_of
from trace.engineering.models import Site
from trace.engineering.queries import zone_of
from trace.exchange.statuses import status_of

Answer = Callable[[HttpRequest], HttpResponse]


class PlantPages:
    """Times in the plant's zone; a Refusal becomes a page with its sentence and the next action.

    A part of a page, fetched by script, is never kept in place of the page. Nothing is kept by
    others: a tablet goes from hand to hand.
    """

    def __init__(self, answer: Answer) -> None:
        self.answer = answer

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.plant = SimpleLazyObject(find_site)  # type: ignore[attr-defined]
        response = self.answer(request)
        patch_vary_headers(response, ["HX-Request", "HX-Target"])
        response.setdefault("Cache-Control", "private, no-cache")
        return response

    def process_view(self, request: HttpRequest, view: Callable, args: tuple, kwargs: dict) -> HttpResponse | None:
        """Only pages of ours need the zone; the sign-in page and static files don't ask for it. A page opens for
        those whom the table names; one that it does not name opens for nobody."""
        if not request.user.is_authenticated:
            timezone.deactivate()
            return None
        timezone.activate(zone_of(request.plant))  # type: ignore[attr-defined]
        match = request.resolver_match
        page = (match and (match.namespace or match.url_name)) or ""
        permitted = PAGES.get(page, frozenset())
        return (
            None
            if page in OPEN_TO_ALL | {"api"} or may(roles_of(request.user), permitted)
            else forbid(request, permitted)
        )

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        """The translator of refusals for pages."""
        if not isinstance(error, Refusal):
            return None
        return render(request, "refusal.html", {"refusal": error}, status=status_of(error))


def forbid(request: HttpRequest, permitted: Roles) -> HttpResponse:
    """403: what the account lacks, and who may do it."""
    without = None if roles_of(request.user) else "role" if getattr(request.user, "person", None) else "person"
    if "badge" in request.session and (without or not may(BY_BADGE, permitted)):
        without = "badge"
    context = {"without": without, "who": in_words(permitted) if permitted else ""}
    return render(request, "403.html", context, status=403)


def find_site() -> Site | None:
    """The plant; None before it is defined."""
    return Site.objects.first()
