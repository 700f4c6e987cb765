"""What a population can't say, and what looking would make of it: foretold, and then done through the operations."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from tests.costing.test_worked_example import ship
from tests.factories import Plant, ticks
from tests.genealogy.asking import NONE, ask, board_at, fit, load, suspect
from trace.containment.limits import summarise_limits
from trace.containment.narrowing import LOOKS, SETTLED, Look, list_looks
from trace.floor.models import Pass
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.corrections import void_feed_record
from trace.floor.operations.feeds import charge_bath, dump_bath, load_feed
from trace.floor.operations.findings import find_loose
from trace.floor.operations.orders import scrap_unit
from trace.genealogy.combined import trace_combined
from trace.genealogy.forward import Population, trace_forward
from trace.genealogy.gaps import Outcome, list_gaps, suppose
from trace.genealogy.suspicion import Suspicion, Window
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def population(*keys: str) -> Population:
    return trace_forward(suspect(*keys))


def looks(*keys: str) -> dict[str, Look]:
    return {look.kind: look for look in list_looks(population(*keys))}


def test_a_change_that_nobody_timed_is_one_gap_with_its_units(plant: Plant) -> None:
    load(plant, "A", 1, error=timedelta(minutes=0.5))
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), error=timedelta(minutes=5))
    sure, *between = (board_at(plant, minute, minute + 1) for minute in (5, 15.5, 17.5, 19.5, 21.5))
    after = board_at(plant, 30, 31)
    assert ask("A") == ({sure.key}, {board.key for board in between}, NONE)
    (gap,) = list_gaps(population("A"))
    assert [gap.units, gap.designators] == [tuple(board.pk for board in between), ("R1", "R2")]
    assert (gap.first, gap.last) == (ticks(15.5), ticks(22.5))
    assert after.pk not in gap.units
    assert suppose(population("A"), gap, suspect=True) == Outcome(4, 0)
    assert suppose(population("A"), gap, suspect=False) == Outcome(0, 4)


def test_its_sentence_says_what_where_and_over_how_many(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), error=timedelta(minutes=5))
    board_at(plant, 17, 18)
    limits = summarise_limits(population("A"))
    assert [(one.feed, one.units) for one in limits.gaps] == [("SLOT-R", 1)]
    assert limits.reasons == {"blurred": 1}
    assert limits.sentences == [
        "On SLOT-R from 2026-03-02 06:17 to 2026-03-02 06:18 it is not known exactly whether there was A or B: "
        "1 unit drew there.",
        "1 unit is only possible, counting those inside others, among other reasons or for this alone: the moment of a "
        "change is not known exactly, "
        "so other material may be in its place; or that of a pass, which may lie outside the window.",
        "The records go back to 2026-03-02 06:00, the first work on a unit to 2026-03-02 06:17; what was before that "
        "is not on record.",
    ]


def test_with_nothing_built_the_limits_say_so() -> None:
    plant = Plant()
    plant.reel("A")
    assert summarise_limits(population("A")).sentences == ["Nothing that was built is on record."]


def test_one_change_is_found_by_halving(plant: Plant) -> None:
    """Of 7 units three looks find the change: 2 ** 3 = 8 places where it may be."""
    load(plant, "A", 1)
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), error=timedelta(minutes=5))
    boards = [board_at(plant, 15.5 + n, 16 + n) for n in range(7)]
    found = looks("A")
    inspection, asking = found["inspection"], found["asking"]
    assert inspection.minutes == 3 * LOOKS["inspection"].minutes
    assert inspection.thing == ("unit", boards[3].key)
    assert inspection.words == (
        f"Inspect R1, R2 of 3 of 7 units, halving from {boards[3].key}: where the part tells its lot"
    )
    assert [one.outcome for one in inspection.findings] == [Outcome(7, 0), Outcome(0, 7)]
    assert [(one.words, one.outcome) for one in asking.findings] == [
        ("it had A throughout", Outcome(7, 0)),
        ("it had B throughout", Outcome(0, 7)),
    ]
    assert [look.kind for look in list_looks(population("A"))] == ["asking", "inspection"], "the cheaper first"
    assert (asking.decides, asking.worth, asking.page) == (7, Decimal("0.7"), "feed")


def test_looking_at_a_reel_that_may_be_used_up_decides_what_it_gave(plant: Plant) -> None:
    """Ten parts within four, two to a board: from the fourth board on something else may hang there. What is foretold
    is what putting its count right makes of it."""
    reel = plant.reel("A")
    load = plant.do(load_feed, 1, feed=plant.slot_r, container=reel, quantity=14, at_least=6)
    boards = [board_at(plant, 5 + n, 5.5 + n) for n in range(6)]
    sure = {board.key for board in boards[:3]}
    assert ask("A") == (sure, {board.key for board in boards[3:]}, NONE)
    sighting = looks("A")["sighting"]
    assert (sighting.thing, sighting.page, sighting.minutes) == (("feed", "SLOT-R"), "feed", 3)
    assert [one.outcome for one in sighting.findings] == [Outcome(3, 0), Outcome(0, 0)]
    plant.do(void_feed_record, 20, record=load, reason="it held more")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    assert ask("A")[0] == {board.key for board in boards}


def test_a_full_reel_was_not_what_nobody_recorded(plant: Plant) -> None:
    first = board_at(plant, 5, 6)
    plant.reel("A", quantity=Decimal(100))
    assert ask("A") == (NONE, {first.key}, NONE)
    (count,) = [look for look in list_looks(population("A")) if look.kind == "count"]
    assert count.thing == ("container", "A")
    assert [one.outcome for one in count.findings] == [Outcome(0, 1), Outcome(0, 0)]
    plant.reel("B", lot="LOT-A", quantity=Decimal(100))
    assert "count" not in looks("LOT-A"), "one alone decides nothing: it may have been the other"


def test_a_draw_that_is_not_sure_is_a_gap_of_its_own(plant: Plant) -> None:
    load(plant, "A", 1)
    aborted = board_at(plant, 5, 6, outcome=Pass.Outcome.ABORTED)
    assert ask("A") == (NONE, {aborted.key}, NONE)
    (limit,) = summarise_limits(population("A")).gaps
    assert limit.words == (
        "From SLOT-R from 2026-03-02 06:05 to 2026-03-02 06:06 it is not sure that units drew A: 1 unit drew there."
    )
    found = looks("A")
    assert [one.outcome for one in found["inspection"].findings] == [Outcome(0, 0), Outcome(0, 1)]
    assert "sighting" not in found


def test_what_was_shipped_is_not_inspected(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), error=timedelta(minutes=5))
    boards = [board_at(plant, 16 + n, 16.5 + n) for n in range(3)]
    (product,) = plant.products(1)
    fit(plant, product, boards[1], 30)
    plant.finish(product, 31)
    ship(plant, product, 40)
    assert looks("A")["inspection"].thing == ("unit", boards[0].key)  # not the middle one: that is gone
    for board in (boards[0], boards[2]):
        plant.do(scrap_unit, 50, unit=board, reason="burnt")
    assert set(looks("A")) == {"asking"}


def test_a_child_that_is_not_known_is_opened(plant: Plant) -> None:
    load(plant, "A", 1)
    child = board_at(plant, 5, 6)
    (product,) = plant.products(1)
    other = board_at(plant, 7, 8)
    fit(plant, product, other, 10)
    plant.do(find_loose, 20, child=other)
    assert product.key in ask("A")[1]
    child_look = looks("A")["child"]
    assert child_look.thing == ("unit", product.key)
    assert [one.outcome for one in child_look.findings] == [Outcome(1, 0), Outcome(0, 1)]
    assert child.key in ask("A")[0]


def test_of_a_combination_each_part_has_its_gaps(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("B"), error=timedelta(minutes=5))
    across, _ = board_at(plant, 17, 18), board_at(plant, 30, 31)
    window = Suspicion.of(windows=[Window(plant.insertion.pk, ticks(0), ticks(99))])
    both = trace_combined([window, suspect("A")])
    (gap,) = list_gaps(both)
    assert (gap.part, gap.units) == (1, (across.pk,))
    assert suppose(both, gap, suspect=False) == Outcome(0, 1)


def test_nothing_possible_leaves_nothing_to_look_at(plant: Plant) -> None:
    load(plant, "A", 1)
    board_at(plant, 5, 6)
    assert list_looks(population("A")) == []
    assert all(look.minutes > 0 and look.source for look in LOOKS.values())


def test_solder_in_a_bath_is_analysed_and_not_looked_at(plant: Plant) -> None:
    """No look tells one alloy from another: spectrometry of a sample does (common practice)."""
    bath = plant.do(define_feed, 1, key="BATH", station=plant.insertion, kind="bath")
    plant.do(start_setup, 1, key="SOLDER", station=plant.insertion, assembly=plant.board, feeds={"R1": bath})
    plant.do(charge_bath, 2, feed=bath, container=plant.reel("A"))
    plant.do(dump_bath, 3, feed=bath)  # of which a heel may stay
    plant.do(charge_bath, 4, feed=bath, container=plant.reel("B"))
    board = board_at(plant, 5, 6)
    assert ask("A") == (NONE, {board.key}, NONE)
    (look,) = list_looks(population("A"))
    assert (look.kind, look.thing, look.page) == ("analysis", ("feed", "BATH"), SETTLED)
    assert "bath BATH at 2026-03-02 06:0" in look.words or "bath BATH from 2026-03-02 06:0" in look.words
    assert [one.outcome for one in look.findings] == [Outcome(1, 0), Outcome(0, 1)]
