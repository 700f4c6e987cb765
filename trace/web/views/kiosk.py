"""Devices: binding a browser, signing in by badge and PIN, changing the operator."""

from __future__ import annotations

from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.hashers import check_password
from django.core import signing
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.decorators import method_decorator
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.generic import View

from trace.core.clock import now
from trace.core.models import Badge, Device
from trace.core.permissions import OPERATIONS, may
from trace.core.secrecy import device_digest
from trace.engineering.operations import bind_device
from trace.web.kiosk import (
    COOKIE,
    TooManyBadges,
    count_badge,
    enter,
    find_badge,
    is_waiting,
    keep_device,
    list_badges,
    prove,
)

PROMPT = 600
"""Seconds within which the PIN must follow the badge."""


@method_decorator([login_not_required, sensitive_post_parameters("code", "pin")], name="dispatch")
class BadgePage(View):
    """Scan the badge, then type its PIN. Only a device has this page; elsewhere there is the password."""

    def get(self, request: HttpRequest) -> HttpResponse:
        if request.device is None:  # type: ignore[attr-defined]
            return redirect("sign-in")
        return redirect("home") if request.user.is_authenticated else self.ask_badge(request)

    def post(self, request: HttpRequest) -> HttpResponse:
        device: Device | None = request.device  # type: ignore[attr-defined]
        if device is None:
            return redirect("sign-in")
        if "pin" not in request.POST:
            if is_waiting(request):
                raise TooManyBadges
            count_badge(request)
            badge = find_badge(request.POST.get("code", ""))
            return ask_pin(request, badge) if badge else self.ask_badge(request, "unknown")
        badge = _read_prompt(request.POST.get("badge", ""))
        if badge is None:
            return self.ask_badge(request, "late")
        pin = request.POST["pin"]
        other = None if is_waiting(request) else find_badge(pin)
        if other and other != badge and not check_password(pin, badge.pin):
            count_badge(request)
            return ask_pin(request, other)  # somebody scanned theirs into the field
        if not prove(request, badge, device, pin):
            return ask_pin(request, badge, wrong=True)
        response = HttpResponseRedirect(_landing(request, badge, device))
        enter(request, badge, device)
        keep_device(response, device)
        return response

    def ask_badge(self, request: HttpRequest, problem: str = "") -> HttpResponse:
        context = {"problem": problem, "next": _safe_next(request)}
        return render(request, "badge.html", context, status=404 if problem == "unknown" else 200)


def ask_pin(request: HttpRequest, badge: Badge, *, wrong: bool = False) -> HttpResponse:
    """The page that asks for a badge's PIN; whoever is signed in stays so until it is right."""
    context = {
        "who": badge.person,
        "badge": signing.dumps(badge.pk, salt="badge"),
        "wrong": wrong,
        "next": _safe_next(request),
    }
    return render(request, "pin.html", context)


def _read_prompt(signed: str) -> Badge | None:
    """The badge whose PIN was asked for, if that was lately and it is still in use."""
    try:
        pk = signing.loads(signed, salt="badge", max_age=PROMPT)
    except signing.BadSignature:
        return None
    return list_badges().filter(pk=pk).first()


def _safe_next(request: HttpRequest) -> str:
    """Where to go afterwards: an address of ours, or none."""
    wanted = request.POST.get("next") or request.GET.get("next", "")
    hosts, secure = {request.get_host()}, request.is_secure()
    return wanted if url_has_allowed_host_and_scheme(wanted, hosts, require_https=secure) else ""


def _landing(request: HttpRequest, badge: Badge, device: Device) -> str:
    """Where to go after the PIN: to where somebody was, else to the station of the device, for those who work there."""
    wanted = _safe_next(request) or "/"
    if wanted == "/" and len(device.stations) == 1 and may(badge.person.roles, OPERATIONS["start_pass"]):
        return reverse("at-station", args=device.stations)
    return wanted


@method_decorator(sensitive_post_parameters("secret"), name="dispatch")
class DevicePage(View):
    """Make this browser a device, or no device any more. Whoever does it is signed out: operators come next."""

    def get(self, request: HttpRequest, problem: bool = False) -> HttpResponse:
        return render(request, "device.html", {"problem": problem}, status=404 if problem else 200)

    def post(self, request: HttpRequest) -> HttpResponse:
        if "release" in request.POST:
            response = redirect("device")
            response.delete_cookie(COOKIE, samesite="Strict")
            return response
        digest = device_digest(request.POST.get("secret", ""))
        device = Device.objects.filter(digest=digest, ended=None).first()
        if device is None:
            return self.get(request, problem=True)
        bind_device(device=device, by=request.user.person, at=now())  # type: ignore[union-attr]
        logout(request)
        response = redirect("sign-in")
        keep_device(response, device)
        return response
