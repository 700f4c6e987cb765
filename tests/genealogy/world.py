"""One random history: each deed is done through the plant's own operations and told to the oracle's log."""

from __future__ import annotations

from tests.genealogy.deeds import Skip
from tests.genealogy.deeds_floor import FloorDeeds
from tests.genealogy.deeds_material import MaterialDeeds
from trace.core.errors import Refusal

MATERIAL = [
    *["load"] * 4,
    *["splice", "top_up", "take_off", "charge"] * 2,
    "clear",
    "dump",
    "find",
    "relay",
    "relay",
    "store",
]
STOCK = ["receive", "split", "merge", "batch", "discard", "change_over", "start_tape", *["load_head"] * 3, "slip"]
FLOOR = [*["visit"] * 5, "enter", "leave", "rack", "void", "finish", "finish", "repair", "remove"]
REPAIRS = ["load", "take_off", *["finish", "remove"] * 3, "repair", "repair", "merge", "visit"]
FAMILIES = [
    *["child"] * 4,
    "unchild",
    "unchild",
    "finish",
    "finish",
    "repair",
    "remove",
    "scrap",
    "ship",
    "load",
    "visit",
]
FOUND = ["child", "child", *["discover"] * 4, "empty", "loose", "finish", "unchild", "ship", "visit", "scrap"]
UNDONE = [*["unfit"] * 3, *["child"] * 3, "unchild", *["repair"] * 3, "remove", "finish", "finish", "load", "visit"]
DEEDS = MATERIAL + STOCK + FLOOR + REPAIRS + FAMILIES + FOUND + UNDONE


DOUBTS = [0, 0, 0, 0, 0, 1.25, 2.6]
"""Minutes within which times are known: no two differ by whole minutes, so that nothing happens just at an edge."""


class World(MaterialDeeds, FloorDeeds):
    """A plant's history so far."""

    def play(self, deed: str, a: int, b: int, c: int) -> bool:
        """Do it, unless it makes no sense or the plant refuses; time goes on a minute."""
        self.minute += 1
        self.number += 1
        self.doubt = DOUBTS[(a + 2 * b + 3 * c) % len(DOUBTS)]
        kept = len(self.done)
        try:
            getattr(self, deed)(a, b, c)
        except (Skip, Refusal):
            self.done[kept:] = [word for word in self.done[kept:] if word == "late"]
            return False
        self.done.append(deed)
        return True
