"""Scans that a browser kept before it sent them, so that none is lost while the server is away (`kept.js`).

A page hands out a ticket: who is signed in, at which station and device. Whoever scans with that page is the one who
did it, whoever is signed in once the scan comes through. A scan tells its id, when it was made and what the device's
clock shows as it is sent; it is recorded as of its own moment, once, and judged as of then. What comes late and is
refused is kept for a supervisor, since nobody waits for the answer any more.

A view hands `answer_scan` what is to be done and gives its response to `stamp`: the browser forgets a scan only for a
stamped answer to that very scan.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

from django.core import signing
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from trace.core.clock import EXACT, from_ticks, now, to_ticks
from trace.core.errors import Kind, Refusal
from trace.core.keys import KEY, UNSTORABLE
from trace.core.models import Person
from trace.core.permissions import BY_BADGE
from trace.engineering.models import Station
from trace.exchange.arguments import EARLIEST
from trace.exchange.statuses import status_of
from trace.floor.models import RefusedScan, Unit
from trace.floor.operations.refused import keep_refused_scan
from trace.ledger.canonical import canonical
from trace.ledger.operation import Request, find_answer
from trace.ledger.source import BadClock, clock_facts, measure_clock, note_source

SALT = "kept-scan"
SHIFT = timedelta(hours=12)
"""So long after it was handed out a ticket says who scans."""

AHEAD = timedelta(minutes=5)
"""By how much a scan may seem to lie before its ticket, or to be still to come: requests take their time."""

LATE = timedelta(seconds=10)
"""What comes so long after it was scanned is late: nobody waits for its answer."""

STEADY = timedelta(seconds=15)
"""What a device's clock is found to be off counts on while a later finding differs by no more: requests are on their
way for unlike times, and two scans in quick succession must not change places by that."""

OURS = frozenset({"csrfmiddlewaretoken", "ticket", "says"})
"""Fields that say nothing of what was scanned."""


class BadTicket(Refusal):
    """Nothing proves who made the scan: no ticket, one of another station or device, or one from another shift."""

    code = "bad-ticket"
    kind = Kind.FORBIDDEN
    action = "Open the page of the station anew and scan again; what was done meanwhile a supervisor enters from paper."


@dataclass(frozen=True)
class Kept:
    """A scan: who made it, and when by our clock. `key` is empty for a plain form, sent as it was filled in; `off` is
    what the device's clock is ahead."""

    by: Person
    at: datetime
    key: str = ""
    late: bool = False
    off: timedelta = EXACT

    @property
    def request(self) -> Request | None:
        """Under which the scan is recorded once, for the operation."""
        return Request(f"scan:{self.by.key}", self.key) if self.key else None

    def once(self, work: Callable[[Kept], Any]) -> Any:
        """Do the work, once: a repeat gets what came of it the first time, though something else may be due by then.
        Refuses as the work does, and, where the refusal was kept, as it did the first time."""
        if self.request is None:
            return work(self)
        if self.late and (refused := find_answer(_refusing(self))):
            raise _as_refusal(refused)
        return once(self.request, lambda: work(self))


@dataclass(frozen=True)
class Answer:
    """What came of a scan: a result, or a refusal, and the record that was kept of that."""

    scan: Kept | None = None
    result: Any = None
    refusal: Refusal | None = None
    kept: RefusedScan | None = None


def make_ticket(request: HttpRequest, station: Station) -> str:
    """Proof of who scans at a station with this page, for a field of its forms."""
    told = {
        "person": request.user.person.key,  # type: ignore[union-attr]
        "station": station.key,
        "device": _device_of(request),
        "issued": to_ticks(now()),
    }
    return signing.dumps(told, salt=SALT)


def read_kept(request: HttpRequest, station: Station) -> Kept:
    """Who made a scan that was posted, and when. Refuses with BadTicket, BadClock."""
    key = _key_of(request)
    if not key:
        return Kept(_sender(request), now())
    at, off, late = _read_time(request)
    person = _read_ticket(request, station, at)
    sender = _sender(request)
    note_source(**({"sent_by": sender.key} if sender != person else {}), **clock_facts(off))
    return Kept(person, at, key, late, off)


def answer_scan(request: HttpRequest, station: Station, work: Callable[[Kept], Any]) -> Answer:
    """Do what a posted scan asks for, once; `work` takes the scan and gives its request to the operation. What is
    refused is told, and kept where the scan came late."""
    scan = None
    try:
        scan = read_kept(request, station)
        return Answer(scan, scan.once(work))
    except Refusal as refusal:
        scan = scan or _unproved(request)
        return Answer(scan, None, refusal, _keep(request, station, scan, refusal) if scan.late else None)


def stamp(
    request: HttpRequest, response: HttpResponseBase, answer: Answer, word: str = "go", says: str = ""
) -> HttpResponseBase:
    """The response, marked as the answer to the scan: “go”, “ask”, or “stop” with why, as the refusal or `says` has
    it."""
    response["Scan-Answer"] = word if answer.refusal is None else "stop"
    response["Kept-Id"] = request.headers.get("Kept-Id", "")
    if answer.scan and answer.scan.key:
        response["Clock-Off"] = f"{answer.scan.off.total_seconds()}"
    if answer.refusal:
        response.status_code = status_of(answer.refusal)
    if says := str(answer.refusal or says):
        response["Scan-Says"] = quote(_fit(says, 300))  # what stands between takes no long headers
    if answer.kept:
        response["Scan-Refused"] = answer.kept.key
    return response


def _unproved(request: HttpRequest) -> Kept:
    """A scan of which it is not sure who made it, or when: it stands under the name of who sent it."""
    try:
        at, off, late = _read_time(request)
    except BadClock:
        at, off, late = now(), EXACT, True
    return Kept(_sender(request), at, _key_of(request), late, off)


def _keep(request: HttpRequest, station: Station, scan: Kept, refusal: Refusal) -> RefusedScan | None:
    """Keep what came late and was refused; under the name of who sent it where who scanned has left since. None where
    this device may not even record that."""
    gone = scan.by.retired is not None and scan.at > scan.by.retired
    told = "; ".join(f"{name}: {', '.join(request.POST.getlist(name))}" for name in request.POST if name not in OURS)
    work = {
        "station": station,
        "scanned": _fit(request.POST.get("says") or told or "a scan", 200),
        "told": _fit(told, 1000),
        "code": refusal.code,
        "sentence": _fit(refusal.message, 1000),
        "action": _fit(refusal.action, 300),
        "unit": _find_unit(request),
        "by": _sender(request) if gone else scan.by,
        "at": scan.at,
    }
    asked = _refusing(scan)
    try:
        return once(asked, lambda: keep_refused_scan(**work, request=asked))
    except Refusal:
        return None


def _refusing(kept: Kept) -> Request:
    """Under which the refusal of a scan is kept, once."""
    return Request(f"scan:{kept.by.key}", f"{kept.key}-refused")


def once(asked: Request, work: Callable[[], Any]) -> Any:
    """As operations do it, but by the key alone, which is made of all that matters of what was told. A repeat that is
    refused, since it differs in what else was told or since it was done already, gets the first answer; one that is not
    refused asks the database for nothing more. Refuses as the work does."""
    try:
        return work()
    except Refusal:
        if (found := find_answer(asked)) is None:
            raise
        return found


def _as_refusal(scan: RefusedScan) -> Refusal:
    refusal = Refusal(scan.sentence, action=scan.action)
    refusal.code = scan.code
    return refusal


def _device_of(request: HttpRequest) -> str:
    device = request.device  # type: ignore[attr-defined]
    return device.key if device else ""


def _sender(request: HttpRequest) -> Person:
    """Who is signed in as the scan comes through."""
    return request.user.person  # type: ignore[union-attr,return-value]


def _key_of(request: HttpRequest) -> str:
    """Of all that was told of a scan; empty for a plain form. Of two scans that got one id, each has its own."""
    mark, shown = request.headers.get("Kept-Id", ""), request.headers.get("Kept-At", "")
    told = sorted((name, request.POST.getlist(name)) for name in request.POST if name not in OURS)
    text = canonical([mark, shown, told])
    return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest() if mark else ""


def _read_time(request: HttpRequest) -> tuple[datetime, timedelta, bool]:
    """(when the scan was made by our clock, what the device's clock is ahead, whether it came late)."""
    shown, arrived = request.headers.get("Kept-At", ""), now()
    off = measure_clock(request.headers.get("Device-Time", ""), arrived)
    with suppress(ValueError, OverflowError):
        before = timedelta(seconds=float(request.headers.get("Clock-Off", "")))
        off = before if abs(before - off) <= STEADY else off
    try:
        at = datetime.fromisoformat(shown) - off
        late = arrived - at > LATE
    except (ValueError, TypeError, OverflowError):
        raise BadClock(f"“{shown[:40]}” is no moment with an offset.") from None
    if not EARLIEST <= at <= arrived + AHEAD:
        raise BadClock("By the clock of its device the scan is still to come, or long before any plant.")
    return min(at, arrived).astimezone(UTC), off, late


def _read_ticket(request: HttpRequest, station: Station, at: datetime) -> Person:
    """Who scanned at a moment, with no more roles than a badge gives at a device."""
    try:
        told = signing.loads(request.POST.get("ticket", ""), salt=SALT)
    except signing.BadSignature:
        raise BadTicket("The page does not say who scanned.") from None
    if told["station"] != station.key:
        raise BadTicket(f"The scan was made at {told['station']}, and not at {station.key}.")
    if told["device"] != _device_of(request):
        raise BadTicket("The scan was made at another device.")
    if not -AHEAD <= at - from_ticks(told["issued"]) <= SHIFT:
        raise BadTicket("The page was opened in another shift: who scanned is not sure.")
    sender = _sender(request)
    person = sender if sender.key == told["person"] else Person.objects.get(key=told["person"])
    if told["device"]:
        person.roles = [role for role in person.roles if role in BY_BADGE]
    return person


def _find_unit(request: HttpRequest) -> Unit | None:
    """The unit that a scan names, in whatever field."""
    texts = [text.strip().upper().partition(".")[0] for name in request.POST for text in request.POST.getlist(name)]
    return Unit.objects.filter(key__in=[text for text in texts if len(text) <= 40 and KEY.fullmatch(text)]).first()


def _fit(text: str, limit: int) -> str:
    """A text as a record takes it."""
    text = UNSTORABLE.sub("", text).strip()
    return text if len(text) <= limit else f"{text[: limit - 1]}…"
