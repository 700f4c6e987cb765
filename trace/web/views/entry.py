"""Ways in: sign-in, sign-out, the scan line, and the pages for what goes wrong."""

from __future__ import annotations

from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render

from trace.web.scan import read_scan


class SignIn(LoginView):
    """The sign-in page."""

    template_name = "sign_in.html"
    redirect_authenticated_user = True


class SignOut(LogoutView):
    """Signing out leads back to the sign-in page."""

    next_page = "/sign-in/"


def scan(request: HttpRequest) -> HttpResponse:
    """Open what was scanned; offer a choice where it names several things, say so where it names none."""
    reading = read_scan(request.GET.get("q", ""))
    if len(reading.found) == 1:
        return HttpResponseRedirect(reading.found[0].href)
    return render(request, "scan.html", {"reading": reading}, status=200 if reading.found else 404)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """404."""
    return render(request, "404.html", status=404)


def forbidden(request: HttpRequest, exception: Exception) -> HttpResponse:
    """403."""
    return render(request, "403.html", status=403)


def csrf_failed(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403 for a form that was open too long or came from elsewhere."""
    return render(request, "403.html", {"stale": True}, status=403)
