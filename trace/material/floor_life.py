"""How long what is in a container has lain open: a fold over what was done with its dry pack. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from trace.core.clock import OPEN

HOUR = 3_600_000_000
"""Microseconds."""

UNKNOWN = OPEN
"""How long something lay open of which nobody knows: longer than any floor life, until it is baked."""


@dataclass(frozen=True)
class Deed:
    """Something done at a moment (microseconds): `opened`, `sealed`, `baked` (until then), or `filled` with what had
    lain open for `used`."""

    at: int
    act: str
    used: int = 0
    recorded: int = 0


@dataclass(frozen=True)
class Exposure:
    """For how many microseconds it lay open since its last bake, and whether it lies open now."""

    used: int
    running: bool = False


@dataclass(frozen=True)
class FloorClock:
    """The floor life of a container's content at a moment `at`: `life` is all of it, `used` how much of it is over, in
    microseconds; it runs while the content lies open. At exactly `life` it may still be used."""

    at: int
    life: int
    used: int
    running: bool

    @property
    def over(self) -> bool:
        """Whether it may not be used before it is baked."""
        return self.used > self.life

    @property
    def remaining(self) -> int:
        """Microseconds left, never below none."""
        return max(0, self.life - self.used)

    @property
    def ends(self) -> int | None:
        """When it is over if nothing is done; None while the clock stands."""
        if self.over:
            return max(0, self.at + self.life - self.used)
        return self.at + self.remaining if self.running else None


def reckon_exposure(deeds: Iterable[Deed], at: int, used: int = 0) -> Exposure:
    """How long a content lay open up to a moment; `used` is how long it had before the first deed.

    Opened, the time counts; sealed dry, it stands; a bake sets it back, and what comes out of the oven lies open. What
    is filled in lies open too, and brings its own time: the longest counts for all.
    """
    since: int | None = None
    for deed in sorted(deeds, key=lambda deed: (deed.at, deed.recorded)):
        if deed.at > at:
            break
        used, since = _lain(used, since, deed.at), None if since is None else deed.at
        match deed.act:
            case "opened":
                since = deed.at
            case "sealed":
                since = None
            case "baked":
                used, since = 0, deed.at
            case "filled":
                used, since = max(used, deed.used), deed.at
    return Exposure(_lain(used, since, at), since is not None)


def _lain(used: int, since: int | None, at: int) -> int:
    return min(UNKNOWN, used + (at - since if since is not None else 0))
