"""The device that a browser is, and who signed in at it by badge.

The browser of a device has a signed cookie with the digest of the device's secret, until that is made anew or the
device ends. A session by badge names badge and device, and has no account: it is over when either is, after some
minutes in which nothing was asked for, and after a shift.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from axes.utils import reset
from django.conf import settings
from django.contrib.auth import authenticate
from django.contrib.auth.hashers import check_password
from django.core.cache import cache
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.middleware.csrf import rotate_token

from trace.core.clock import now
from trace.core.errors import Kind, Refusal
from trace.core.models import Badge, Device
from trace.core.permissions import BY_BADGE
from trace.core.secrecy import badge_digest, clean_scan
from trace.core.visitor import Visitor
from trace.ledger.source import Source, coming_from

COOKIE = SALT = "device"
KEPT = 400 * 24 * 60 * 60
"""Seconds: the longest that browsers keep a cookie (RFC 6265bis); every sign-in by badge renews it."""

BADGES, WAIT = 20, 15 * 60
"""So many badges are looked for at a device, or for one account, without a right PIN; then none is for so many seconds.
More than anybody's fumbling, and far from the codes of a plant, which are often numbered one after the other."""

FINE = 30
"""Seconds between two notes of when a session was last used: not every page writes one."""


class TooManyBadges(Refusal):
    """Badge after badge was scanned, and no PIN was right."""

    code = "too-many-badges"
    kind = Kind.THROTTLED
    action = "Wait a quarter of an hour, or sign in with a password."

    def __init__(self) -> None:
        super().__init__("Too many badges were scanned here, and no right PIN followed.")


class Kiosk:
    """Tells pages and the API which device asks and who came by badge, and the API what the device's clock shows."""

    def __init__(self, answer: Callable[[HttpRequest], HttpResponse]) -> None:
        self.answer = answer

    def __call__(self, request: HttpRequest) -> HttpResponse:
        arrived = now()
        device = find_device(request)
        request.device = device  # type: ignore[attr-defined]
        name, stations = "", None
        if "badge" in request.session and (visitor := _find_visitor(request, device)) and device:
            request.user = visitor  # type: ignore[assignment]
            name, stations = f"the device {device.key}", frozenset(device.stations)
        # A page is told no moment by a device: those that it gives to an operation are ours.
        shown = request.headers.get("Device-Time", "") if request.path.startswith("/api/") else ""
        with coming_from(Source(name, stations, shown, arrived)):
            return self.answer(request)


class ByBadge:
    """Django's way to ask whether somebody is who they say: the badge and its PIN."""

    def authenticate(
        self, request: HttpRequest | None, badge: Badge | None = None, pin: str = "", **_: Any
    ) -> Visitor | None:
        return Visitor(badge.person) if badge and check_password(pin, badge.pin) else None


def find_device(request: HttpRequest) -> Device | None:
    """The device that this browser is."""
    digest = request.get_signed_cookie(COOKIE, default="", salt=SALT) if COOKIE in request.COOKIES else ""
    return Device.objects.filter(digest=digest, ended=None).first() if digest else None


def keep_device(response: HttpResponse, device: Device) -> None:
    """The browser that gets this is the device from now on."""
    response.set_signed_cookie(
        COOKIE,
        device.digest,
        salt=SALT,
        max_age=KEPT,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Strict",
    )


def list_badges() -> QuerySet[Badge]:
    """Those in use."""
    return Badge.objects.select_related("person").filter(ended=None, person__retired=None)


def find_badge(code: str) -> Badge | None:
    """The badge in use whose code was scanned."""
    return list_badges().filter(digest=badge_digest(code)).first() if clean_scan(code) else None


def is_waiting(request: HttpRequest) -> bool:
    """Whether no badge is looked for here for a while."""
    return cache.get(_counter(request), 0) >= BADGES


def count_badge(request: HttpRequest) -> None:
    """One more was looked for."""
    cache.add(counter := _counter(request), 0, WAIT)
    cache.incr(counter)


def _counter(request: HttpRequest) -> str:
    device: Device | None = request.device  # type: ignore[attr-defined]
    return f"badges-{device.digest}" if device else f"badges-account-{request.user.pk}"


def prove(request: HttpRequest, badge: Badge, device: Device, pin: str) -> bool:
    """Whether the PIN is right. Wrong ones count by badge and device, and soon none is looked at for a while; a right
    one forgets them, and the badges scanned before."""
    counted = f"badge {badge.pk} at {device.key}"
    if authenticate(request, username=counted, badge=badge, pin=pin) is None:
        return False
    reset(username=counted)
    cache.delete(_counter(request))
    return True


def enter(request: HttpRequest, badge: Badge, device: Device) -> None:
    """A session of whoever has the badge; nothing is left of the one before."""
    moment = now().timestamp()
    request.session.flush()
    request.session.update({"badge": badge.pk, "device": device.pk, "began": moment, "seen": moment})
    rotate_token(request)


def _find_visitor(request: HttpRequest, device: Device | None) -> Visitor | None:
    """Who came by badge, as they may be then; a session that is over ends."""
    session, moment = request.session, now().timestamp()
    fresh = moment - session["seen"] <= settings.BADGE_IDLE and moment - session["began"] <= settings.SESSION_COOKIE_AGE
    badge = list_badges().filter(pk=session["badge"]).first() if fresh else None
    if badge is None or device is None or device.pk != session["device"]:
        session.flush()
        return None
    if moment - session["seen"] > FINE:
        session["seen"] = moment
    badge.person.roles = [role for role in badge.person.roles if role in BY_BADGE]
    return Visitor(badge.person)
