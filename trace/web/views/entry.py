"""Ways in: sign-in, sign-out, the scan line, and the pages for what goes wrong."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse

from trace.core.permissions import PAGES, may, roles_of
from trace.exchange.supplier_label import looks_like_label
from trace.web.kiosk import TooManyBadges, count_badge, find_badge, is_waiting
from trace.web.scan import read_package, read_scan
from trace.web.views.kiosk import ask_pin


class SignIn(LoginView):
    """The sign-in page. At a device people show their badges, but for those who ask for the password."""

    template_name = "sign_in.html"
    redirect_authenticated_user = True

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.device and "password" not in request.GET:  # type: ignore[attr-defined]
            return HttpResponseRedirect(f"{reverse('badge')}?{request.GET.urlencode()}".rstrip("?"))
        return super().get(request, *args, **kwargs)


class SignOut(LogoutView):
    """Signing out leads back to the sign-in page."""

    next_page = "/sign-in/"


def scan(request: HttpRequest) -> HttpResponse:
    """Open what was scanned; offer a choice where it names several things, say so where it names none. A badge changes
    the operator of a device; elsewhere it is somebody's page. Where no badge is looked for any more, one is answered
    like what names nothing. A supplier's label of a package that is not on record opens the page that receives it, for
    those who may."""
    text = request.GET.get("q", "")
    waiting = is_waiting(request)
    badge = None if waiting else find_badge(text)
    if badge:
        count_badge(request)
        at_device = request.device is not None  # type: ignore[attr-defined]
        return ask_pin(request, badge) if at_device else redirect("person", badge.person.key)
    label = looks_like_label(text)
    reading = read_package(text) if label else read_scan(text)
    if label and not reading.found and may(roles_of(request.user), PAGES["receive"]):
        return redirect(f"{reverse('receive')}?{urlencode({'q': text})}")
    if len(reading.found) == 1:
        return HttpResponseRedirect(reading.found[0].href)
    if waiting and not reading.found:
        raise TooManyBadges
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
