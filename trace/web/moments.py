"""The as-of moment of a page: `?at=YYYY-MM-DDTHH:MM` in the plant's zone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.http import HttpRequest
from django.utils import timezone

from trace.core.clock import OPEN, from_ticks
from trace.core.moments import read_moment

MINUTE = 60_000_000


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
    def mark(self) -> str:
        """What tells the file of a download at this moment from that of another: empty for now."""
        return f"-as-of-{self.text.replace(':', '')}" if self.given else ""

    @property
    def query(self) -> str:
        """What to put behind an address to stay at this moment."""
        return f"?at={self.text}" if self.given else ""


def read_asof(request: HttpRequest) -> Asof:
    """The moment a request asks for; without one, now. Refuses with BadMoment."""
    ticks = read_moment(request.GET.get("at", ""), timezone.get_current_timezone())
    if ticks == OPEN:
        return Asof()
    local = timezone.localtime(from_ticks(ticks))
    # Without the zone's +, so that it can stand in an address as it is.
    return Asof(ticks, local.replace(tzinfo=None).isoformat(timespec="auto" if ticks % MINUTE else "minutes"))
