"""The plan of a tape, what may not stay on one, and when a feed runs out."""

from __future__ import annotations

from decimal import Decimal

import pytest

from trace.material.facts import Left
from trace.material.sequencing import (
    TAPINGS,
    Offer,
    PlanRefused,
    RunOut,
    forecast,
    pitch_limits,
    plan_loads,
    plan_tape,
    runs_of_empties,
    too_many_empty,
)

ORDER = [("R2", "RES"), ("C1", "CAP"), ("R1", "RES"), ("D1", "DIO")]
STOCK = {"RES": [Offer("RA", 120), Offer("RB", 100)], "CAP": [Offer("CA", 60)], "DIO": [Offer("DA", None)]}


def plan(**changes):
    return plan_tape(**{"order": ORDER, "board_sets": 100, "offers": STOCK, "heads": 4, "spacing": 6, **changes})


def test_each_part_has_a_head_in_the_order_in_which_it_is_inserted() -> None:
    made = plan()
    assert made.sequence == ("R2", "C1", "R1", "D1")
    assert made.as_heads() == {"H01": (6, ("R2", "R1")), "H02": (12, ("C1",)), "H03": (18, ("D1",))}
    assert [head.part for head in made.heads] == ["RES", "CAP", "DIO"]


def test_changes_and_shortages_are_foreseen_by_board_set() -> None:
    """By hand: 120 of RA, two to a set, last 60 sets; RB's 100 reach set 110. Of CA's 60, one to a set, 40 lack."""
    made = plan()
    assert [(at, head.name, load.container) for at, head, load in made.changes] == [(60, "H01", "RB")]
    assert [(head.part, head.short) for head in made.shortages] == [("CAP", 40)]
    assert [head.counted for head in made.heads] == [True, True, False]


@pytest.mark.parametrize(
    ("places", "wanted", "stock", "firsts", "short"),
    [
        (2, 10, [("A", 5), ("B", 5)], [0, 2], 0),  # A's last part lies in set 2, so does B's first
        (1, 10, [("A", 10), ("B", 5)], [0], 0),
        (1, 10, [("A", 0), ("B", 10)], [0], 0),
        (3, 10, [], [], 10),
        (1, 10, [("A", 4), ("B", None), ("C", 9)], [0, 4], 0),
    ],
)
def test_containers_are_used_as_they_are_offered(places, wanted, stock, firsts, short) -> None:
    loads, lacking = plan_loads(places, wanted, [Offer(key, left) for key, left in stock])
    assert ([load.first for load in loads], lacking) == (firsts, short)


@pytest.mark.parametrize(
    "wrong", [{"order": []}, {"board_sets": 0}, {"heads": 2}, {"heads": 0}, {"spacing": -1}], ids=str
)
def test_a_plan_that_can_not_be_is_refused(wrong) -> None:
    with pytest.raises(PlanRefused) as refusal:
        plan(**wrong)
    assert refusal.value.message and refusal.value.action


def test_no_two_components_of_a_reel_in_a_row_may_be_missing() -> None:
    """Illinois Capacitor, "no consecutive capacitors may be absent" (EIA RS-296-E); Diodes Inc. AP02008 Rev 17, "in no
    case shall there be two or more consecutive components missing from any reel"."""
    served = ["R2", "R1"]
    assert runs_of_empties({4: ["R2", "R1"]}, served), "one after the other in a set"
    assert runs_of_empties({4: ["R1"], 5: ["R2"]}, served), "the last of a set and the first of the next"
    assert not runs_of_empties({4: ["R2"], 5: ["R2"]}, served), "R1 of set 4 lies between"
    assert runs_of_empties({4: ["C1"], 5: ["C1"]}, ["C1"])
    assert not runs_of_empties({4: ["C1"], 6: ["C1"]}, ["C1"])
    assert not runs_of_empties({}, served)


def test_fewer_than_one_in_a_thousand_places_of_a_reel_may_be_empty() -> None:
    """Illinois Capacitor: "total empty spaces < 0.1 % of reel"; its 5 mm reels hold 1500, those of 12.5 mm 400."""
    assert not too_many_empty(1, 1500) and too_many_empty(2, 1500)
    assert too_many_empty(1, 1000) and too_many_empty(1, 400) and not too_many_empty(0, 400)


def test_twenty_pitches_of_radial_tape_are_254_millimetres_within_one() -> None:
    """EIA-468 / IEC 60286-2 as makers print it: P 12.7 ± 1.0; Rectron: "maximum cumulative pitch tolerance
    1.0 mm/20 pitch". Axial, EIA RS-296-E: 10.0 ± 0.5."""
    assert pitch_limits(TAPINGS["radial"], 20) == (Decimal("253.0"), Decimal("255.0"))
    assert pitch_limits(TAPINGS["radial"], 1) == (Decimal("11.7"), Decimal("13.7"))
    assert pitch_limits(TAPINGS["axial-10"], 1) == (Decimal("9.5"), Decimal("10.5"))


def test_a_feed_runs_out_by_what_is_left_and_the_pace() -> None:
    assert forecast(Left(95, 105), 2, Decimal("1.5")) == RunOut(47, 52, 70)
    assert forecast(Left(0, 1), 2, None) == RunOut(0, 0, None)
    assert forecast(Left(97, 97), 1, Decimal("0.001")) == RunOut(97, 97, None), "no board was built in no time"
