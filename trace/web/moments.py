"""The as-of moment of a page: `?at=YYYY-MM-DDTHH:MM` in the plant's zone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from tempfile import TemporaryFile
from typing import Concatenate, ParamSpec
from urllib.parse import urlencode

from django.http import HttpRequest, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.utils import timezone

from trace.core.clock import OPEN, from_ticks
from trace.core.moments import read_moment
from trace.genealogy.known import as_known

P = ParamSpec("P")

MINUTE = 60_000_000


@dataclass(frozen=True)
class Asof:
    """Up to which moment a page looks, and as known on which day: microseconds, and the texts that ask
    for them again."""

    ticks: int = OPEN
    text: str = ""
    known: int = OPEN
    known_text: str = ""

    @property
    def given(self) -> bool:
        """Whether a moment was asked for; otherwise the page shows what is known now."""
        return self.ticks != OPEN

    @property
    def moment(self) -> datetime | None:
        """The moment, None for now."""
        return from_ticks(self.ticks) if self.given else None

    @property
    def known_on(self) -> datetime | None:
        """The day as known on which the page answers, None for now."""
        return from_ticks(self.known) if self.known != OPEN else None

    @property
    def fields(self) -> dict[str, str]:
        """What asks for both again: parameters of an address, hidden fields of a form."""
        return {name: text for name, text in (("at", self.text), ("known", self.known_text)) if text}

    @property
    def mark(self) -> str:
        """What tells the file of a download at these moments from that of others: empty for now."""
        words = {"at": "as-of", "known": "as-known-on"}
        return "".join(f"-{words[name]}-{text.replace(':', '')}" for name, text in self.fields.items())

    @property
    def query(self) -> str:
        """What to put behind an address to stay at these moments."""
        return f"?{urlencode(self.fields, safe=':')}" if self.fields else ""


def read_asof(request: HttpRequest) -> Asof:
    """The moments that a request asks for; without them, now. Refuses with BadMoment."""
    return Asof(*_read(request, "at"), *_read(request, "known"))


def looks_back(view: Callable[Concatenate[HttpRequest, P], HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """A view whose page reads everything as known on the day that the request asks for."""

    @wraps(view)
    def look(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        known = read_asof(request).known
        with as_known(known):
            response = view(request, *args, **kwargs)
            if known != OPEN and isinstance(response, StreamingHttpResponse):
                content = TemporaryFile()  # noqa: SIM115 - whoever sends it closes it
                content.writelines(response)  # before the look back is over
                content.seek(0)
                response.streaming_content = content
            return response

    return look


def _read(request: HttpRequest, name: str) -> tuple[int, str]:
    ticks = read_moment(request.GET.get(name, ""), timezone.get_current_timezone())
    if ticks == OPEN:
        return OPEN, ""
    return ticks, write_moment(ticks)


def write_moment(ticks: int) -> str:
    """A moment as an address asks for it: without the zone's +, so that it can stand there as it is."""
    local = timezone.localtime(from_ticks(ticks))
    return local.replace(tzinfo=None).isoformat(timespec="auto" if ticks % MINUTE else "minutes")
