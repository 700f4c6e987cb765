"""What the statements count, against the same reckoned pass by pass over random histories."""

from __future__ import annotations

import random
from collections import Counter
from datetime import timedelta

import networkx
import pytest

from tests.factories import Plant, moment, ticks
from trace.core.clock import DAY, to_ticks
from trace.floor.models import Pass
from trace.quality.lines import get_line
from trace.quality.queries import find_cycles, list_passes, list_tries
from trace.quality.rules import middle
from trace.quality.standing import ask_line

pytestmark = pytest.mark.django_db

SECOND = 1_000_000
SINCE, UNTIL, LATELY = moment(60), moment(24 * 60), moment(20 * 60)
SHIFTS = [moment(0), moment(8 * 60), moment(16 * 60)]


def record(plant: Plant, chance: random.Random) -> list[Pass]:
    """Random visits of a dozen boards over two days: scanned in or not, out or not, some long, void or superseded."""
    steps = list(plant.board.steps.order_by("number"))
    passes = []
    for unit in plant.boards(12):
        for _ in range(chance.randrange(1, 9)):
            began = ticks(chance.randrange(-600, 2_200))
            long = 20 if chance.random() < 0.1 else 1
            ended = began + chance.randrange(1, 9_000) * long * SECOND
            void = chance.random() < 0.1
            passes.append(
                Pass(
                    unit=unit, step=chance.choice(steps), station=chance.choice([plant.insertion, plant.test]),
                    assembly=plant.board, first=began, last=ended, began=began, ended=ended,
                    length_class=(ended - began).bit_length(),
                    scanned_in=began if chance.random() < 0.6 else None,
                    scanned_out=ended if chance.random() < 0.8 else None,
                    outcome="void" if void else chance.choice(["passed", "passed", "failed", "aborted"]),
                    drew="none" if void else "all", by=plant.ann, recorded=began,
                    superseded=began if chance.random() < 0.1 else None,
                )
            )  # fmt: skip
    chance.shuffle(passes)
    return Pass.objects.bulk_create(passes)


def gone(it: Pass) -> int:
    return it.ended if it.scanned_out is None else it.scanned_out


def closed(passes: list[Pass]) -> list[Pass]:
    return [it for it in passes if it.superseded is None and it.outcome != "void"]


def in_window(passes: list[Pass]) -> list[Pass]:
    return [it for it in closed(passes) if to_ticks(SINCE) <= gone(it) < to_ticks(UNTIL)]


def tries(passes: list[Pass]) -> Counter:
    found: Counter = Counter()
    for it in in_window(passes):
        same = [other for other in closed(passes) if (other.unit_id, other.step_id) == (it.unit_id, it.step_id)]
        first = min(same, key=lambda other: (gone(other), other.pk)) is it
        found[it.station_id, it.step_id, it.outcome, first] += 1
    return found


def cycles(passes: list[Pass]) -> dict[int, timedelta]:
    here, found = in_window(passes), {}
    for station in {it.station_id for it in here}:
        work = {}
        for it in (it for it in here if it.station_id == station):
            before = [gone(other) for other in here if other.station_id == station and gone(other) < gone(it)]
            own = [
                scan for other in closed(passes) if other.unit_id == it.unit_id and other is not it
                for scan in [other.scanned_in if other.scanned_out is None else other.scanned_out]
                if scan is not None and scan < gone(it)
            ]  # fmt: skip
            came = it.scanned_in if it.scanned_in is not None else max(before + own, default=None)
            lay = it.scanned_in is None and any(came and came < to_ticks(shift) <= gone(it) for shift in SHIFTS)
            if came is not None and not lay:
                work[it.pk] = came, gone(it)
        graph = networkx.Graph()
        graph.add_nodes_from(work)
        graph.add_edges_from(
            (a, b) for a in work for b in work if work[a][0] < work[b][1] and work[b][0] < work[a][1] and a != b
        )
        times = []
        for together in networkx.connected_components(graph):
            length = max(work[pk][1] for pk in together) - min(work[pk][0] for pk in together)
            times.append((length // (len(together) * SECOND // 10), len(together)))
        if times:
            found[station] = timedelta(milliseconds=100) * (middle(times) or 0)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_a_random_history_is_counted_as_pass_by_pass(seed: int) -> None:
    plant = Plant()
    passes = record(plant, random.Random(seed))
    line = get_line("", "BOARD")
    told = list_tries(line, SINCE, UNTIL, LATELY)
    counted = tries(passes)
    assert {(one.station, one.step, one.outcome, bool(one.first)): one.number for one in told} == counted
    assert sum(one.lately for one in told) == sum(gone(it) >= to_ticks(LATELY) for it in in_window(passes))
    assert find_cycles(line, SINCE, UNTIL, SHIFTS) == cycles(passes)
    assert len(counted) > 4 and any(it.ended > it.began + DAY for it in passes)
    # What stands behind the numbers of a day is what was counted in it.
    standing = ask_line(moment(3 * 24 * 60), "", "BOARD", "days", f"{SINCE.date()}")
    rows = Counter(
        (it.station_id, it.step_id, it.outcome, it.first_try == "yes") for it in list_passes(line, standing.period)
    )
    day = {(one.station, one.step, one.outcome, bool(one.first)): one.number for one in standing.tries}
    assert rows == day
