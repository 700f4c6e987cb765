"""Moisture classes of parts, and how long a part may lie open before it is soldered. No database, no clock.

Source: IPC/JEDEC J-STD-020 (the classes) and J-STD-033 (floor life at no more than 30 °C and 60 % RH, what stops its
clock, bakes at 40, 90 or 125 °C), by their public summaries and from memory; the floor lives were checked.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

FLOOR_LIFE: Mapping[str, int | None] = {
    "1": None,
    "2": 365 * 24,
    "2a": 4 * 7 * 24,
    "3": 168,
    "4": 72,
    "5": 48,
    "5a": 24,
    "6": None,
}
"""Hours by class. Class 1 has no end; of class 6 the label says them, and it is baked before every use."""

BAKED_FIRST = "6"
"""The class whose floor life is that on its label, and begins only with a bake."""

DRY_PACK, DRY_CABINET, DAMP_CABINET = "dry pack", "cabinet to 5", "cabinet to 10"
STOPS: Mapping[str, frozenset[str]] = {
    DRY_PACK: frozenset(FLOOR_LIFE),
    DRY_CABINET: frozenset(FLOOR_LIFE),
    DAMP_CABINET: frozenset({"1", "2", "2a", "3"}),
}
"""How something is kept dry, and the classes whose clock stands meanwhile (from memory). That a short exposure may be
dried out again, as the standard allows, is left out: a clock here starts anew with a bake alone."""

COOLEST, HOTTEST = Decimal(35), Decimal(130)
"""°C between which an oven at 40 to 125 °C may stand, with its tolerance."""
