"""The as-of moment of a page: `?at=YYYY-MM-DDTHH:MM` in the plant's zone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.http import HttpRequest
from django.utils import timezone

from trace.core.clock import OPEN, from_ticks, to_ticks
from trace.core.errors import Refusal


class BadMoment(Refusal):
    """The date and time asked for can't be read."""

    code = "bad-moment"
    action = "Give year, month, day, hour and minute, such as 2026-03-02T14:30."


@dataclass(frozen=True)
class Asof:
    """Up to which moment a page looks: microseconds, and the text that asks for it again."""

    ticks: int = OPEN
    text: str = ""

    @property
    def given(self) -> bool:
        """Whether a moment was asked for; otherwise the page shows what is known now."""
        return self.ticks != OPEN

    @property
    def moment(self) -> datetime | None:
        """The moment, None for now."""
        return from_ticks(self.ticks) if self.given else None

    @property
    def query(self) -> str:
        """What to put behind an address to stay at this moment."""
        return f"?at={self.text}" if self.given else ""


def read_asof(request: HttpRequest) -> Asof:
    """The moment a request asks for; without one, now. Refuses with BadMoment."""
    text = request.GET.get("at", "").strip()
    if not text:
        return Asof()
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=timezone.get_current_timezone())
        ticks = to_ticks(moment)
    except (ValueError, OverflowError):
        raise BadMoment(f"“{text[:40]}” is no date and time.") from None
    if not 0 <= ticks < OPEN:
        raise BadMoment(f"“{text[:40]}” lies outside the record.")
    # Without + and :, so that it can stand in an address as it is.
    return Asof(ticks, f"{timezone.localtime(from_ticks(ticks)):%Y-%m-%dT%H:%M}")
