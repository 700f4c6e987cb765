"""The demo plant's answers, held against where every part of it really is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

from trace.core.clock import to_ticks
from trace.demo import build as demo
from trace.demo import stories
from trace.demo.calendar import moment
from trace.demo.plant import Plant
from trace.demo.simulator.physics import Piece
from trace.demo.simulator.truth import Question, Tally, judge_backward, judge_question
from trace.demo.truth import Truth
from trace.material.models import Container, Lot

EVERY = 5
"""Of so many containers and units one is asked."""
DAYS = (moment(16), moment(30), moment(46), moment(60))


def build_with_truth() -> Truth:
    """The plant at a small scale, with its truth."""
    truths: list[Truth] = []

    def watch(plant: Plant) -> None:
        truths.append(Truth(plant=plant))
        plant.follow = truths[0].follow

    demo.build(scale=0.1, watch=watch)
    truths[0].settle(DAYS)
    return truths[0]


def hold(check: Callable[[Truth, Tally], None], truth: Truth) -> None:
    """No carrier missed, none falsely certain, no origin lost, by one check."""
    tally = Tally()
    check(truth, tally)
    assert not tally.faults, "\n".join(map(str, tally.faults[:20]))
    assert tally.answers > 500


def check_the_truth_is_that_of_the_stories(truth: Truth) -> None:
    """Every part is where it belongs; changes fell amid a rack's boards, so that one of two reels is in each."""
    assert len(list(truth.units[truth.plant.serials("QV-180", 3)[0]].pieces())) > 250
    holding: dict[str, set[str]] = defaultdict(set)
    for unit in truth.units.values():
        for piece in (piece for content in unit.places.values() for piece in content):
            holding[piece.labels[0]].add(unit.key)
    assert len(holding[stories.UNTIMED_BAG]) == truth.plant.rack // 2
    old, new, _ = stories.RADIAL_REELS
    assert len(holding[old] & holding[new]) == 1
    assert holding["K7731-1"] & holding["K7690-1"]
    assert holding["K7731-1"] & holding["K7802-1"]


def check_a_part_out_of_place_would_show(truth: Truth) -> None:
    """One resistor in one board as if it were of another reel: it is missed."""
    board = truth.units[truth.plant.serials("CB-180", 0)[0]]
    (piece,) = board.places["R9"]
    board.places["R9"] = [Piece("K7802", ["K7802-1"])]
    tally = Tally()
    for lot in (piece.lot, "K7802"):
        judge_question(truth, Question("lot", lot), tally)
    board.places["R9"] = [piece]
    assert {(fault.what, fault.key) for fault in tally.faults} >= {("missed", board.key)}


def check_lots(truth: Truth, tally: Tally) -> None:
    for key in Lot.objects.values_list("key", flat=True):
        judge_question(truth, Question("lot", key), tally)


def check_containers(truth: Truth, tally: Tally) -> None:
    told = {stories.UNTIMED_BAG, *stories.RADIAL_REELS, *stories.DRIFTING_REELS.values(), "K7731-1"}
    for number, key in enumerate(Container.objects.order_by("key").values_list("key", flat=True)):
        if key in told or number % EVERY == 0:
            judge_question(truth, Question("container", key), tally)


def check_lots_as_of_earlier_days(truth: Truth, tally: Tally) -> None:
    for number, key in enumerate(Lot.objects.order_by("key").values_list("key", flat=True)):
        judge_question(truth, Question("lot", key, to_ticks(DAYS[number % len(DAYS)])), tally)


def check_backward(truth: Truth, tally: Tally) -> None:
    told = {stories.mended(truth.plant), stories.half_mended(truth.plant), stories.receiver(truth.plant)}
    for number, (key, unit) in enumerate(sorted(truth.units.items())):
        if unit.places and (key in told or number % EVERY == 0):
            judge_backward(truth, unit, tally)


CHECKS = (check_lots, check_containers, check_lots_as_of_earlier_days, check_backward)
