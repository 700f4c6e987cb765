"""The rules for spans (DEVELOPERS.md has them in words), one by one, on small hand-reckoned feeds."""

from __future__ import annotations

from typing import Any

import pytest

from trace.core.clock import OPEN
from trace.material.rules import Draw, Reckoning, Record, reckon
from trace.material.tapes import board_sets_at

A, B, C, D = 1, 2, 3, 4


def record(id_: int, act: str, container: int | None, where: int | tuple[int, int], **details: Any) -> Record:
    first, last = where if isinstance(where, tuple) else (where, where)
    return Record(id_, act, container, first, last, **{"happened": first, **details})


def draws(*positions: int, count: int = 1) -> list[Draw]:
    return [Draw(p, p, count) for p in positions]


def spans(reckoning: Reckoning) -> list[tuple[int, int, int | None]]:
    return [(span.first, span.end, span.container) for span in reckoning.spans]


def at(reckoning: Reckoning, position: int) -> set[int | None]:
    return {span.container for span in reckoning.spans if span.first <= position < span.end}


# Replace -------------------------------------------------------------------------------------------------------------


def test_a_feed_opens_with_unknown() -> None:
    assert spans(reckon([])) == [(0, OPEN, None)]


def test_an_exact_load_leaves_no_doubt() -> None:
    assert spans(reckon([record(1, "load", A, 10), record(2, "load", B, 20)])) == [
        (0, 10, None),
        (10, 20, A),
        (20, OPEN, B),
    ]


def test_a_load_at_an_uncertain_moment_has_both_in_between() -> None:
    assert spans(reckon([record(1, "load", A, 10), record(2, "load", B, (18, 22))])) == [
        (0, 10, None),
        (10, 22, A),
        (18, OPEN, B),
    ]


def test_loads_whose_order_is_not_known_end_neither() -> None:
    reckoning = reckon([record(1, "load", A, (10, 20)), record(2, "load", B, (15, 16)), record(3, "load", C, 40)])
    assert spans(reckoning) == [(0, 16, None), (10, 40, A), (15, 40, B), (40, OPEN, C)]


def test_two_loads_at_one_position_follow_the_order_of_their_records() -> None:
    first = record(1, "load", A, 10, happened=5)
    assert spans(reckon([record(2, "load", B, 10, happened=7), first])) == [(0, 10, None), (10, OPEN, B)]


def test_a_late_load_that_may_reach_a_clearing_told_before_it_is_not_ended_by_it() -> None:
    told_after = record(2, "load", A, (0, 2), happened=7)
    assert at(reckon([record(1, "clear", None, 2, happened=5), told_after]), 9) == {None, A}
    told_before = record(2, "load", A, (0, 2), happened=3)
    assert at(reckon([record(1, "clear", None, 2, happened=5), told_before]), 9) == {None}


def test_a_clearing_that_may_reach_a_load_told_before_it_does_not_end_it_nor_is_it_ended() -> None:
    reckoning = reckon([record(1, "clear", None, (0, 2), happened=7), record(2, "load", A, 2, happened=5)])
    assert at(reckoning, 9) == {None, A}


def test_a_cleared_feed_gives_unknown_until_it_is_loaded() -> None:
    cleared = [record(1, "load", A, 10), record(2, "clear", None, 20)]
    assert spans(reckon(cleared)) == [(0, 10, None), (10, 20, A), (20, OPEN, None)]
    loaded = reckon([*cleared, record(3, "load", B, 30)])
    assert spans(loaded) == [(0, 10, None), (10, 20, A), (20, 30, None), (30, OPEN, B)]


def test_a_change_found_late_has_both_and_unknown_in_between() -> None:
    reckoning = reckon([record(1, "load", A, 10), record(2, "found", B, (20, 50))])
    assert at(reckoning, 15) == {A}
    assert at(reckoning, 30) == {A, B, None}
    assert at(reckoning, 50) == {B}


def test_times_say_how_long_each_was_on_the_feed() -> None:
    records = [record(1, "load", A, 10, happened=100, error=5), record(2, "load", B, 20, happened=200, error=7)]
    (_, a, b) = reckon(records).spans
    assert ((a.since, a.until), (b.since, b.until)) == ((95, 207), (193, OPEN))


# Splice --------------------------------------------------------------------------------------------------------------


def splice(where: int | tuple[int, int] = 10, *, lead: int, tolerance: int, container: int = B) -> list[Record]:
    return [record(1, "load", A, 0), record(2, "splice", container, where, lead=lead, tolerance=tolerance)]


def test_a_splice_starts_and_ends_by_its_lead_and_tolerance() -> None:
    # Parts 1, 2, 3 … after the splice are drawn at 11, 12, 13 …; three to five of them are the old reel's.
    reckoning = reckon(splice(lead=4, tolerance=1), draws(*range(11, 21)))
    assert spans(reckoning) == [(0, 16, A), (14, OPEN, B)]
    assert reckoning.settled


def test_a_splice_with_an_exact_lead_is_not_blurred() -> None:
    reckoning = reckon(splice(lead=4, tolerance=0), draws(11, 21, 31, 41, 51))
    assert [at(reckoning, p) for p in (11, 21, 31, 41, 51)] == [{A}, {A}, {A}, {A}, {B}]


def test_a_splice_at_the_pick_up_is_a_replacement() -> None:
    assert spans(reckon(splice(lead=0, tolerance=0))) == [(0, 10, A), (10, OPEN, B)]


def test_an_end_waits_for_draws_and_settles() -> None:
    records = splice(lead=4, tolerance=1)
    early = reckon(records, draws(11, 12))
    assert (at(early, 12), early.settled) == ({A}, False)
    half = reckon(records, draws(11, 12, 13, 14))
    assert (at(half, 14), at(half, 99), half.settled) == ({A, B}, {A, B}, False)
    assert reckon(records, draws(11, 12, 13, 14, 15)).settled


def test_draws_count_at_their_earliest_for_the_new_and_at_their_latest_for_the_old() -> None:
    long_draws = [Draw(11, 19), Draw(12, 20), Draw(13, 30)]
    assert spans(reckon(splice(lead=2, tolerance=0), long_draws)) == [(0, 21, A), (13, OPEN, B)]


def test_a_draw_open_across_the_splice_may_count_and_does_not_end_the_old() -> None:
    reckoning = reckon(splice(lead=1, tolerance=0), [Draw(5, 15), Draw(20, 21), Draw(30, 31)])
    # The draw of 5..15 may have been the last old one, after the splice; or none.
    assert spans(reckoning) == [(0, 22, A), (20, OPEN, B)]


def test_a_draw_that_has_no_end_yet_is_possible_from_its_beginning_and_sure_never() -> None:
    reckoning = reckon(splice(lead=1, tolerance=0), [Draw(12, OPEN), Draw(13, OPEN)])
    assert spans(reckoning) == [(0, OPEN, A), (13, OPEN, B)]
    assert not reckoning.settled


def test_unsure_draws_bring_the_new_nearer_and_do_not_end_the_old() -> None:
    unsure = [Draw(11, 11, 1, False), Draw(12, 12), Draw(13, 13), Draw(14, 14)]
    assert spans(reckon(splice(lead=2, tolerance=0), unsure)) == [(0, 14, A), (13, OPEN, B)]


def test_a_draw_of_several_parts_counts_all_of_them() -> None:
    assert spans(reckon(splice(lead=3, tolerance=0), draws(11, 12, count=2))) == [(0, 13, A), (12, OPEN, B)]


def test_a_splice_that_was_never_reached_gives_nothing() -> None:
    reckoning = reckon([*splice(lead=4, tolerance=0), record(3, "load", C, 15)], draws(11, 12))
    assert spans(reckoning) == [(0, 15, A), (15, OPEN, C)]
    assert reckoning.settled


def test_two_splices_wait_in_a_row() -> None:
    records = [*splice(lead=3, tolerance=0), record(3, "splice", C, 12, lead=6, tolerance=0)]
    # After 12: two parts of A, four of B, then C.
    reckoning = reckon(records, [Draw(p, p) for p in (11, *range(13, 31))])
    assert [at(reckoning, p) for p in (11, 14, 15, 18, 19)] == [{A}, {A}, {B}, {B}, {C}]


def test_an_unsettled_splice_stays_so_beside_a_load_whose_order_to_it_is_not_known() -> None:
    records = [*splice((10, 30), lead=2, tolerance=0), record(3, "load", C, 20)]
    assert not reckon(records, draws(31)).settled
    assert at(reckon(records, draws(31, 32, 33)), 33) == {B, C}


# Exhaustion ----------------------------------------------------------------------------------------------------------


def counted(least: int | None, most: int, **details: Any) -> Record:
    return record(1, "load", A, 0, at_least=least, quantity=most, **details)


def test_unknown_joins_when_it_may_be_used_up_and_it_leaves_when_it_surely_is() -> None:
    reckoning = reckon([counted(2, 4)], draws(*range(1, 11)))
    assert spans(reckoning) == [(0, 5, A), (3, OPEN, None)]
    assert reckoning.settled


def test_unsure_and_open_draws_bring_the_unknown_nearer_and_end_nothing() -> None:
    perhaps = [Draw(1, 1, 1, False), Draw(2, OPEN), Draw(3, 3), Draw(4, 4)]
    reckoning = reckon([counted(2, 3)], perhaps)
    assert spans(reckoning) == [(0, OPEN, A), (3, OPEN, None)]
    assert not reckoning.settled


def test_what_is_counted_from_above_alone_lasts_until_it_is_surely_used_up() -> None:
    assert spans(reckon([counted(None, 3)], draws(*range(1, 9)))) == [(0, 4, A), (4, OPEN, None)]


def test_what_was_spliced_to_something_that_was_counted_empty_came_with_its_lead() -> None:
    """The count says that nothing is left, the lead that a part is still there: of that nobody knows what it is."""
    records = [record(1, "load", A, 0, quantity=0), record(2, "splice", B, 5, lead=1, tolerance=0)]
    assert spans(reckon(records, draws(*range(5, 9)))) == [(0, 6, None), (6, OPEN, B)]


def test_a_load_before_it_is_used_up_ends_the_counting() -> None:
    records = [counted(2, 4), record(2, "load", B, 3)]
    assert spans(reckon(records, draws(*range(1, 11)))) == [(0, 3, A), (3, OPEN, B)]


def test_what_joined_stays_until_the_place_is_next_loaded() -> None:
    records = [counted(2, 4), record(2, "load", B, 8)]
    assert spans(reckon(records, draws(*range(1, 11)))) == [(0, 5, A), (3, 8, None), (8, OPEN, B)]


def test_a_splice_adds_its_own_parts_to_what_its_lead_says_was_left() -> None:
    records = [counted(4, 4), record(2, "splice", B, 2, lead=2, tolerance=1, at_least=3, quantity=5)]
    # Drawn at 1, 3, 5 …: after the splice one to three of A, then three to five of B.
    reckoning = reckon(records, draws(*range(1, 40, 2)))
    assert spans(reckoning) == [(0, 8, A), (5, 18, B), (11, OPEN, None)]


def test_a_link_of_the_chain_that_nobody_counted_ends_the_counting() -> None:
    records = [counted(4, 4), record(2, "splice", B, 2, lead=2, tolerance=0)]
    assert spans(reckon(records, draws(*range(1, 40))))[-1] == (4, OPEN, B)


def test_a_count_of_what_is_found_holds_from_the_finding() -> None:
    records = [record(1, "load", A, 0), record(2, "found", B, (2, 10), at_least=1, quantity=2)]
    assert spans(reckon(records, draws(*range(1, 40))))[-2:] == [(2, 12, B), (11, OPEN, None)]


# Top up --------------------------------------------------------------------------------------------------------------


def test_a_pour_that_nobody_counted_mixes_until_the_place_is_cleared() -> None:
    records = [record(1, "load", A, 0), record(2, "top-up", B, 10)]
    assert spans(reckon(records, draws(*range(100)))) == [(0, OPEN, A), (10, OPEN, B)]
    assert at(reckon([*records, record(3, "clear", None, 50)]), 50) == {None}


def test_a_counted_pour_ends_all_when_all_must_be_used() -> None:
    records = [record(1, "load", A, 0), record(2, "top-up", B, 10, left=2, quantity=3)]
    reckoning = reckon(records, draws(*range(11, 31)))
    assert [at(reckoning, p) for p in (10, 15)] == [{A, B}, {A, B}]
    assert at(reckoning, 16) == {None}, "five parts were there; the sixth came from somewhere"
    assert reckoning.settled


def test_an_end_by_count_waits_for_its_draws() -> None:
    records = [record(1, "load", A, 0), record(2, "top-up", B, 10, left=2, quantity=3)]
    assert not reckon(records, draws(*range(11, 14))).settled


def test_what_was_left_follows_from_the_load_and_sure_draws_since() -> None:
    records = [record(1, "load", A, 0, quantity=4), record(2, "top-up", B, 10, quantity=3)]
    reckoning = reckon(records, [*draws(1, 2), Draw(3, 3, 1, False), *draws(*range(11, 20))])
    # 4 - 2 sure draws + 3 = at most 5: drawn at 11 to 15.
    assert (at(reckoning, 15), at(reckoning, 16)) == ({A, B}, {None})


def test_a_further_pour_moves_the_end_of_everything_there() -> None:
    records = [
        record(1, "load", A, 0, quantity=2),
        record(2, "top-up", B, 10, quantity=3),
        record(3, "top-up", C, 12, quantity=4),
    ]
    reckoning = reckon(records, draws(*range(10, 40)))
    # 2 + 3 - 2 (at 10 and 11) + 4 = 7, drawn at 12 to 18.
    assert at(reckoning, 18) == {A, B, C}
    assert at(reckoning, 19) == {None}


def test_an_uncounted_pour_unbinds_what_was_counted() -> None:
    records = [
        record(1, "load", A, 0, quantity=2),
        record(2, "top-up", B, 10, quantity=3),
        record(3, "top-up", C, 11),
    ]
    assert at(reckon(records, draws(*range(10, 40))), 39) == {A, B, C}


def test_a_pour_into_an_empty_place_is_alone() -> None:
    records = [record(1, "load", A, 0), record(2, "clear", None, 5), record(3, "top-up", B, 10)]
    assert spans(reckon(records)) == [(0, 5, A), (5, 10, None), (10, OPEN, B)]


def test_a_count_does_not_bind_what_may_have_been_loaded_before_or_after_it() -> None:
    """A of 100 was loaded at some moment of 1..10, three of B were poured at 5: A may outlive B's count."""
    records = [
        record(1, "clear", None, 0),
        record(2, "load", A, (1, 10), quantity=100),
        record(3, "top-up", B, 5, quantity=3),
    ]
    assert A in at(reckon(records, draws(*range(11, 31))), 30)
    swapped = [
        record(1, "clear", None, 0),
        record(2, "top-up", B, (1, 10), quantity=3),
        record(3, "load", A, 5, quantity=100),
    ]
    assert {A, B} <= at(reckon(swapped, draws(*range(11, 31))), 30)
    # Two of A, three of B, two of C may all be there at 20.
    poured_on = [
        record(1, "clear", None, 0),
        record(2, "top-up", B, (1, 10), quantity=3),
        record(3, "load", A, 5, quantity=2),
        record(4, "top-up", C, 20, quantity=2),
    ]
    assert {A, B, C} <= at(reckon(poured_on, draws(*range(21, 31))), 27)


# Bath ----------------------------------------------------------------------------------------------------------------


def sure(reckoning: Reckoning, container: int) -> list[tuple[int, int, int | None]]:
    return [(s.first, s.end, s.sure_from) for s in reckoning.spans if s.container == container]


def test_every_charge_is_in_the_bath_with_all_before_it() -> None:
    reckoning = reckon([record(1, "charge", A, 10), record(2, "charge", B, (20, 25))])
    assert at(reckoning, 30) == {None, A, B}
    assert sure(reckoning, A) == [(10, OPEN, 10)]
    assert sure(reckoning, B) == [(20, OPEN, 25)]


def test_a_dump_leaves_a_heel_and_ends_sureness() -> None:
    reckoning = reckon([record(1, "charge", A, 10), record(2, "dump", None, 20), record(3, "charge", B, 30)])
    assert sure(reckoning, A) == [(10, 20, 10), (20, OPEN, None)]
    assert sure(reckoning, B) == [(30, OPEN, 30)]


def test_a_cleaned_bath_is_empty() -> None:
    reckoning = reckon(
        [record(1, "charge", A, 10), record(2, "dump", None, 20, cleaned=True), record(3, "charge", B, 30)]
    )
    assert (at(reckoning, 19), at(reckoning, 25), at(reckoning, 30)) == ({None, A}, {None}, {B})


def test_a_charge_whose_order_to_a_dump_is_not_known_is_never_sure() -> None:
    reckoning = reckon([record(1, "charge", A, (10, 30)), record(2, "dump", None, 20, cleaned=True)])
    assert sure(reckoning, A) == [(10, OPEN, None)]


# By hand -------------------------------------------------------------------------------------------------------------


def test_a_place_filled_by_hand_splits_the_span() -> None:
    records = [record(1, "load", A, 0), record(2, "hand-fill", B, 7)]
    assert spans(reckon(records, places=1)) == [(0, 7, A), (7, 8, B), (8, OPEN, A)]


def test_a_place_filled_by_hand_among_several_adds_a_candidate() -> None:
    assert at(reckon([record(1, "load", A, 0), record(2, "hand-fill", B, 7)], places=2), 7) == {A, B}


def test_a_place_filled_by_hand_somewhere_takes_none_away() -> None:
    reckoning = reckon([record(1, "load", A, 0), record(2, "hand-fill", B, (7, 8))], places=1)
    assert [at(reckoning, p) for p in (6, 7, 8, 9)] == [{A}, {A, B}, {A, B}, {A}]


# Taking off ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "drawn", "remainder"),
    [
        ([record(1, "load", A, 0)], [], {A}),
        ([], [], {None}),
        ([record(1, "load", A, 0), record(2, "load", B, 10)], [], {B}),
        (splice(lead=4, tolerance=1), [11, 12], {A, B}),
        (splice(lead=4, tolerance=1), [11, 12, 13, 14, 15], {B}),
        ([record(1, "load", A, 0), record(2, "top-up", B, 10)], [11], {A, B}),
        ([record(1, "load", A, 0), record(2, "clear", None, 10)], [], set()),
        ([record(1, "load", A, (0, 20)), record(2, "load", B, (10, 15))], [], {A, B}),
        ([record(1, "load", A, 0), record(2, "load", B, (15, 25))], [], {A, B}),
    ],
    ids=[
        "one",
        "nobody knows",
        "last",
        "splice not reached",
        "splice settled",
        "mixed",
        "empty",
        "unordered",
        "after?",
    ],
)
def test_what_comes_off_is_of_every_candidate(before: list[Record], drawn: list[int], remainder: set) -> None:
    records = [*before, record(9, "take-off", D, 20)]
    reckoning = reckon(records, draws(*drawn))
    assert reckoning.remainders == {9: remainder}


def test_a_place_is_empty_after_taking_off() -> None:
    assert spans(reckon([record(1, "load", A, 0), record(2, "take-off", A, 20)])) == [(0, 20, A), (20, OPEN, None)]


# Tapes ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chain", "distance", "links", "expected"),
    [
        (0, 0, [0], (0, 0)),
        (1, 0, [0], (1, 1)),
        (10, 0, [3], (1, 1)),
        (3, 0, [3], (0, 0)),
        (4, 0, [3], (1, 1)),
        (0, 25, [3], (3, 3)),
        (5, 0, [3, 7], (0, 1)),
    ],
)
def test_a_change_at_a_head_falls_in_the_set_of_its_next_component(chain, distance, links, expected) -> None:
    assert board_sets_at(chain=chain, distance=distance, links=links, links_per_set=10) == expected
