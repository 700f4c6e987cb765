"""A large plant through `record_passes`, 500 boards at a time: what it takes, and that the answers stay right.

Boards go through insertion by the machine's count in racks; reels are replaced at exact counts, so that the truth is
known by arithmetic, without moving a million parts.
"""

from __future__ import annotations

import time
from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta

from trace.core.clock import from_ticks
from trace.demo.simulator.layout import BEGIN, MINUTE, Layout
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import record_passes
from trace.floor.scans import BATCH
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import Sureness
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Container, Lot
from trace.material.operations.stock import receive_lot

REEL, REELS_PER_LOT = 2_000, 5
"""Boards that one reel of resistors lasts, and reels to a lot: common practice, a 4,000-piece reel at two a board."""


@dataclass
class Bulk:
    """What a large run took: boards, seconds of recording, and the lots whose answer was not exactly right."""

    boards: int = 0
    seconds: float = 0
    wrong: list[str] = field(default_factory=list)

    @property
    def per_second(self) -> float:
        return self.boards / self.seconds


def record_many(layout: Layout, boards: int) -> Bulk:
    """So many boards through insertion, and every lot asked for afterwards."""
    bulk = Bulk()
    at = BEGIN
    starts: list[int] = []
    while bulk.boards < boards:
        number = min(BATCH, boards - bulk.boards)
        begun = time.perf_counter()
        while len(starts) * REEL < bulk.boards + number:
            _change_reels(layout, len(starts), at)
            starts.append(len(starts) * REEL)
        at += 2 * MINUTE
        _pass_rack(layout, bulk.boards, number, at)
        bulk.seconds += time.perf_counter() - begun
        bulk.boards += number
    bulk.wrong = _ask(boards, starts)
    return bulk


def _change_reels(layout: Layout, number: int, at: int) -> None:
    """The next reels at the count at which the last ones ended."""
    for part, feed in (("RES", "COUNT-R"), ("CAP", "COUNT-C")):
        lot, label = f"{part}-L{number // REELS_PER_LOT}", f"{part}-{number}"
        done = {"by": layout.person, "at": from_ticks(at)}
        receive_lot(
            key=lot,
            supplier=layout.supplier,
            part=layout.parts[part],
            number=lot,
            containers=[(label, None)],
            **done,
        )
        reel = Container.objects.select_related("lot", "part").get(key=label)
        load_feed(feed=layout.feeds[feed], container=reel, position=(number * REEL, number * REEL), **done)


def _pass_rack(layout: Layout, first: int, number: int, at: int) -> None:
    done = {"by": layout.person, "at": from_ticks(at)}
    serials = [f"B-{first + n:07}" for n in range(number)]
    order = release_order(
        key=f"WO-{first}", part=layout.parts["BOARD"], site=layout.site, serials=serials,
        by=layout.person, at=from_ticks(at) - timedelta(minutes=2),
    )  # fmt: skip
    record_passes(
        units=list(order.units.select_related("part").order_by("pk")),
        station=layout.stations["COUNT"],
        entered=from_ticks(at) - timedelta(minutes=1),
        positions=[(first + n, first + n) for n in range(number)],
        **done,
    )


def _ask(boards: int, starts: list[int]) -> list[str]:
    """The lots whose answer is not exactly what arithmetic says."""
    truth: dict[str, set[str]] = defaultdict(set)
    for n in range(boards):
        lot = (bisect_right(starts, n) - 1) // REELS_PER_LOT
        truth[f"RES-L{lot}"].add(f"B-{n:07}")
        truth[f"CAP-L{lot}"].add(f"B-{n:07}")
    wrong = []
    for key, carriers in sorted(truth.items()):
        population = trace_forward(Suspicion.of(lots=Lot.objects.filter(key=key)))
        if {c.key for c in population.of(Sureness.CERTAIN)} != carriers or population.of(Sureness.POSSIBLE):
            wrong.append(key)
    return wrong
