"""The table of disturbances: what the plant really does, and what gets recorded of it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from trace.demo.simulator.plant import SimPlant

Play = Callable[[SimPlant, random.Random], None]


@dataclass(frozen=True)
class Kind:
    """One kind of disturbance. `hidden`: nothing ever shows it, so that answers may be wrong by it."""

    name: str
    does: str
    recorded: str
    play: Play
    hidden: bool = False


KINDS: dict[str, Kind] = {}


def kind(name: str, *, does: str, recorded: str, hidden: bool = False) -> Callable[[Play], Play]:
    """Put a disturbance in the table."""

    def register(play: Play) -> Play:
        KINDS[name] = Kind(name, does, recorded, play, hidden)
        return play

    return register
