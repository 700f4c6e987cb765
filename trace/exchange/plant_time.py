"""Moments as the plant's clock shows them, for whoever is not a page."""

from __future__ import annotations

from trace.core.clock import OPEN, from_ticks
from trace.core.moments import BadMoment, read_moment
from trace.engineering.queries import get_zone


class PlantTime:
    """Moments as the plant's clock shows them."""

    def __init__(self) -> None:
        self.zone = get_zone()
        self.name = self.zone.key

    def read(self, text: str | None) -> int:
        """Microseconds of a typed moment; OPEN (now) when there is none. Refuses with BadMoment, also what
        was given and is empty: a script whose variable is not set must not get the answer of now."""
        if text is not None and not text.strip():
            raise BadMoment("“” is no date and time.")
        return read_moment(text or "", self.zone)

    def show(self, ticks: int) -> str:
        """Date and time to the minute; “now” for what has no end."""
        return "now" if ticks >= OPEN else f"{from_ticks(ticks).astimezone(self.zone):%Y-%m-%d %H:%M}"

    def between(self, since: int, until: int) -> str:
        """When something happened, somewhere between two moments: a day's date is said once."""
        first, last = self.show(since), self.show(until)
        if first == last:
            return first
        return f"{first}–{last[-5:]}" if first[:10] == last[:10] else f"between {first} and {last}"

    def looking(self, at: int, known: int) -> str:
        """The two times of an answer as a sentence; nothing where both are now."""
        said = (
            f"As known on {self.show(known)}, looking at {self.show(at)}" if known != OPEN else f"As of {self.show(at)}"
        )
        return "" if at == known == OPEN else f"{said} ({self.name})."

    def iso(self, ticks: int) -> str | None:
        """ISO 8601 with the plant's offset, to the microsecond; None for what has no end."""
        return None if ticks >= OPEN else from_ticks(ticks).astimezone(self.zone).isoformat(timespec="microseconds")
