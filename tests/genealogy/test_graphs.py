"""Hand-drawn graphs: small plants whose answers one can work out on paper."""

from __future__ import annotations

import pytest

from tests.factories import Plant, make_assembly, make_part, make_station, moment, ticks
from tests.genealogy.asking import NONE, ask, board_at, load, lots_of, reasons
from trace.floor.models import Pass
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import (
    charge_bath,
    clear_feed,
    dump_bath,
    find_on_feed,
    load_feed,
    splice_feed,
    take_off_feed,
    top_up_feed,
)
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.stores import merge_containers, split_container
from trace.genealogy.rules import Supply, Sureness, Suspect, judge_draw, judge_feed
from trace.material.models import Feed
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db

# Feeds ---------------------------------------------------------------------------------------------------------------


def test_a_reel_change_between_boards_leaves_no_doubt(plant: Plant) -> None:
    load(plant, "A", 1)
    first = board_at(plant, 2, 3)
    load(plant, "B", 4)
    second = board_at(plant, 5, 6)
    assert ask("LOT-A") == ({first.key}, NONE, NONE)
    assert ask("LOT-B") == ({second.key}, NONE, NONE)
    assert lots_of(first) == {"R1": {"LOT-A"}, "R2": {"LOT-A"}, "C1": {"LOT-CAPS"}}


def test_a_reel_change_whose_moment_is_not_known_puts_both_lots_on_record(plant: Plant) -> None:
    """IPC-1782: several records for one designator where the exact material can't be told."""
    load(plant, "A", 1)
    before = board_at(plant, 2, 3)
    during = board_at(plant, 5, 6)
    load(plant, "B", 8, position=(ticks(4), ticks(7)))
    after = board_at(plant, 8, 9)
    assert lots_of(during)["R1"] == {"LOT-A", "LOT-B"}
    assert ask("LOT-A") == ({before.key}, {during.key}, NONE)
    assert ask("LOT-B") == ({after.key}, {during.key}, NONE)
    assert reasons(during.key, "LOT-A") == ("blurred",)


def test_a_blurred_change_between_two_reels_of_one_suspect_lot_is_certain(plant: Plant) -> None:
    load(plant, "A", 1, lot="LOT-X")
    load(plant, "B", 6, lot="LOT-X", position=(ticks(3), ticks(6)))
    during = board_at(plant, 4, 5)
    assert ask("LOT-X") == ({during.key}, NONE, NONE)
    assert ask("A", "B") == ({during.key}, NONE, NONE)
    assert ask("A") == (NONE, {during.key}, NONE)


def test_a_change_while_a_board_is_open_gives_it_both(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    plant.do(start_pass, 2, unit=board, station=plant.insertion)
    load(plant, "B", 3)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)
    assert ask("LOT-B") == (NONE, {board.key}, NONE)


def test_a_board_that_is_still_inside_is_only_possible(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    plant.do(start_pass, 2, unit=board, station=plant.insertion)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)


@pytest.mark.parametrize("minute", [None, 12])
def test_a_board_still_inside_a_counting_machine_is_only_possible(minute: float | None) -> None:
    plant = Plant(counts_cycles=True)
    reel = plant.reel("A")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel, position=(0, 0))
    (board,) = plant.boards()
    plant.do(start_pass, 2, unit=board, station=plant.insertion, position=(3, 3))
    assert ask("LOT-A", minute=minute) == (NONE, {board.key}, NONE)


def test_a_splice_gives_both_until_its_lead_is_through(plant: Plant) -> None:
    """Each board takes two: with a lead of four, within one, the second has the last of the old or the first new."""
    load(plant, "A", 1)
    new = plant.reel("B")
    plant.do(splice_feed, 2, feed=plant.slot_r, container=new, lead=4, tolerance=1)
    boards = [board_at(plant, 3 + i, 3.5 + i) for i in range(4)]
    assert [lots_of(board)["R1"] for board in boards] == [
        {"LOT-A"},
        {"LOT-A", "LOT-B"},
        {"LOT-A", "LOT-B"},
        {"LOT-B"},
    ]


def test_a_top_up_mixes_until_the_place_is_cleared(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(top_up_feed, 3, feed=plant.slot_r, container=plant.reel("B"))
    mixed = board_at(plant, 4, 5)
    plant.do(clear_feed, 6, feed=plant.slot_r)
    load(plant, "C", 7)
    clean = board_at(plant, 8, 9)
    assert ask("LOT-A") == (NONE, {mixed.key}, NONE)
    assert lots_of(clean)["R1"] == {"LOT-C"}
    assert ask("LOT-A", "LOT-B") == ({mixed.key}, NONE, NONE)


def test_what_nobody_recorded_may_be_any_container_of_the_part_then_in_the_plant(plant: Plant) -> None:
    early, elsewhere = plant.reel("EARLY"), plant.reel("ELSEWHERE")
    board = board_at(plant, 2, 3)
    plant.reel("LATE", minute=4)
    assert ask("LOT-EARLY") == (NONE, {board.key}, NONE)
    assert ask("LOT-LATE") == (NONE, NONE, NONE)
    assert reasons(board.key, "LOT-EARLY") == ("unrecorded",)
    assert early != elsewhere
    assert lots_of(board)["R1"] == {None}


def test_unknown_is_not_what_is_proved_to_have_been_elsewhere(plant: Plant) -> None:
    other = make_station("OTHER")
    slot: Feed = plant.do(define_feed, key="OTHER-SLOT", station=other)
    plant.board.steps.get(number=10).stations.add(other)
    plant.do(start_setup, key="OTHER-SETUP", station=other, assembly=plant.board, feeds={"R1": slot})
    reel, rest = plant.reel("A", lot="LOT-X"), plant.reel("B", lot="LOT-X")
    plant.do(load_feed, 1, feed=slot, container=reel)
    board = board_at(plant, 2, 3)
    assert ask("A") == (NONE, NONE, NONE)
    assert ask("LOT-X") == (NONE, {board.key}, NONE)
    assert rest.lot_id == reel.lot_id


def test_what_was_poured_from_one_bag_may_also_be_elsewhere(plant: Plant) -> None:
    """A bag poured into one place proves nothing of the rest of it."""
    other = make_station("OTHER")
    slot: Feed = plant.do(define_feed, key="OTHER-SLOT", station=other)
    plant.do(start_setup, key="OTHER-SETUP", station=other, assembly=plant.board, feeds={"R1": slot})
    plant.do(clear_feed, 0.5, feed=slot)
    plant.do(top_up_feed, 1, feed=slot, container=plant.reel("A"))
    board = board_at(plant, 2, 3)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)


# Derivation ----------------------------------------------------------------------------------------------------------


def test_a_diamond(plant: Plant) -> None:
    """One lot split in two, merged again with nothing else, in two boards of one product."""
    root = plant.reel("ROOT")
    left = plant.do(split_container, 2, source=root, key="LEFT")
    right = plant.do(split_container, 2, source=root, key="RIGHT")
    plant.do(load_feed, 3, feed=plant.slot_r, container=left)
    one = board_at(plant, 4, 5)
    merged = plant.do(merge_containers, 6, sources=[right, root], key="MERGED")
    plant.do(load_feed, 7, feed=plant.slot_r, container=merged)
    two = board_at(plant, 8, 9)
    assembly = make_assembly(
        "TWIN", places={"M1": plant.board, "M2": plant.board}, route={10: [plant.final]}, kind="product"
    )
    (twin,) = plant.units(assembly)
    plant.do(fit_child, 10, unit=twin, designator="M1", child=one)
    plant.do(fit_child, 11, unit=twin, designator="M2", child=two)
    assert ask("LOT-ROOT") == ({one.key, two.key, twin.key}, NONE, NONE)
    assert ask("LEFT") == ({one.key, twin.key}, NONE, NONE)
    assert ask("RIGHT") == (NONE, {two.key, twin.key}, NONE)
    assert lots_of(two)["R1"] == {"LOT-ROOT"}


def test_a_merge_is_suspect_only_from_its_moment_on(plant: Plant) -> None:
    target = load(plant, "TARGET", 1)
    before = board_at(plant, 2, 3)
    plant.do(merge_containers, 4, sources=[plant.reel("BAD")], into=target)
    after = board_at(plant, 5, 6)
    assert ask("LOT-BAD") == (NONE, {after.key}, NONE)
    assert ask("LOT-TARGET") == ({before.key}, {after.key}, NONE)
    assert lots_of(before)["R1"] == {"LOT-TARGET"}
    assert lots_of(after)["R1"] == {"LOT-TARGET", "LOT-BAD"}
    assert reasons(after.key, "LOT-BAD") == ("mixed",)


def test_a_remainder_is_of_every_candidate(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=plant.reel("B"), lead=50, tolerance=0)
    rest = plant.do(take_off_feed, 3, feed=plant.slot_r, label="REST")
    load(plant, "C", 4)
    plant.do(clear_feed, 5, feed=plant.slot_r)
    plant.do(load_feed, 6, feed=plant.slot_r, container=rest)
    board = board_at(plant, 7, 8)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)
    assert ask("LOT-B") == (NONE, {board.key}, NONE)
    assert ask("LOT-A", "LOT-B") == ({board.key}, NONE, NONE)


def test_a_remainder_of_unknown_may_be_suspect_before_it_surely_is(plant: Plant) -> None:
    """Poured into a container first from a place that nobody recorded, later from the suspect."""
    bad, into = plant.reel("BAD"), plant.reel("INTO")
    plant.do(take_off_feed, 2, feed=plant.slot_r, into=into)
    plant.do(load_feed, 3, feed=plant.slot_r, container=into)
    early = board_at(plant, 4, 5)
    plant.do(take_off_feed, 6, feed=plant.slot_r)
    plant.do(merge_containers, 7, sources=[bad], into=into)
    assert ask("LOT-BAD") == (NONE, {early.key}, NONE)


# Baths ---------------------------------------------------------------------------------------------------------------


def test_a_bath_is_certain_only_between_charge_and_dump() -> None:
    plant = Plant()
    solder = make_part("SOLDER", kind="process")
    wave = make_station("WAVE")
    assembly = make_assembly("SOLDERED", places={"S1": solder}, route={10: [wave]})
    bath = plant.do(define_feed, key="BATH", station=wave, kind=Feed.Kind.BATH)
    plant.do(start_setup, key="WAVE-SETUP", station=wave, assembly=assembly, feeds={"S1": bath})
    units = plant.units(assembly, 5)
    plant.do(dump_bath, 0.5, feed=bath, cleaned=True)
    plant.run(units[0], wave, 1, 2)
    plant.do(charge_bath, 3, feed=bath, container=plant.reel("BAR", solder, minute=2.5))
    plant.run(units[1], wave, 4, 5)
    plant.do(charge_bath, 6, feed=bath, container=plant.reel("FRESH", solder, minute=2.5))
    plant.run(units[2], wave, 7, 8)
    plant.do(dump_bath, 9, feed=bath)
    plant.run(units[3], wave, 10, 11)
    plant.do(dump_bath, 12, feed=bath, cleaned=True)
    plant.run(units[4], wave, 13, 14)
    keys = [unit.key for unit in units]
    assert ask("LOT-BAR") == ({keys[1], keys[2]}, {keys[3], keys[4]}, NONE)
    assert ask("LOT-FRESH") == ({keys[2]}, {keys[3], keys[4]}, NONE)
    assert reasons(keys[3], "LOT-BAR") == ("mixed",)
    assert reasons(keys[4], "LOT-BAR") == ("unrecorded",), "it was clean, and nobody recorded what went in then"


# Passes --------------------------------------------------------------------------------------------------------------


def test_a_void_pass_drew_nothing(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    visit = plant.run(board, plant.insertion, 2, 3)
    plant.do(void_pass, 4, entry=visit, reason="wrong traveller scanned")
    assert ask("LOT-A") == (NONE, NONE, NONE)


def test_an_aborted_pass_and_the_one_that_completes_it_are_unsure(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3, outcome=Pass.Outcome.ABORTED)
    load(plant, "B", 4)
    plant.run(board, plant.insertion, 5, 6)
    assert ask("LOT-A") == (NONE, {board.key}, NONE)
    assert ask("LOT-B") == (NONE, {board.key}, NONE)
    assert reasons(board.key, "LOT-B") == ("unsure",)


def test_an_operator_who_says_which_designators_were_drawn_settles_it(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3, outcome=Pass.Outcome.ABORTED, only=["R1"])
    load(plant, "B", 4)
    plant.run(board, plant.insertion, 5, 6, only=["R2", "C1"])
    assert ask("LOT-A") == ({board.key}, NONE, NONE)
    assert ask("LOT-B") == ({board.key}, NONE, NONE)
    assert lots_of(board)["R1"] == {"LOT-A"}
    assert lots_of(board)["R2"] == {"LOT-B"}


def test_a_rack_shares_its_range(plant: Plant) -> None:
    load(plant, "A", 1)
    boards = plant.boards(3)
    load(plant, "B", 3)
    plant.do(record_passes, 4, units=boards, station=plant.insertion, entered=moment(2))
    assert ask("LOT-A") == (NONE, {board.key for board in boards}, NONE)


def test_as_of_a_moment_nothing_that_came_later_counts(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    plant.do(start_pass, 2, unit=board, station=plant.insertion)
    load(plant, "B", 6)
    plant.do(finish_pass, 7, unit=board)
    assert ask("LOT-B") == (NONE, {board.key}, NONE)
    assert ask("LOT-B", minute=5) == (NONE, NONE, NONE)
    assert ask("LOT-A", minute=5) == (NONE, {board.key}, NONE)
    assert lots_of(board, at=moment(5))["R1"] == {"LOT-A"}


def test_as_of_a_moment_a_change_found_later_counts_from_when_it_may_have_been(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 5, 6)
    plant.do(find_on_feed, 10, feed=plant.slot_r, container=plant.reel("B"))
    assert ask("LOT-B", minute=8) == (NONE, {board.key}, NONE)
    assert lots_of(board, at=moment(8))["R1"] == {"LOT-A", "LOT-B", None}


def test_a_bath_is_not_certain_before_its_charge_was_suspect() -> None:
    verdict = judge_feed([Supply(1, 0, 9, 0, 0, 9)], {1: Suspect(since=5)}, slack=0, bath=True)
    assert judge_draw([(verdict, 3, 6)])[0] == Sureness.POSSIBLE


def test_a_void_pass_had_bounded_nothing(plant: Plant) -> None:
    """A scan elsewhere, made by mistake, is no proof that the board was drawn for only later."""
    loose = make_station("LOOSE", mode="loose")
    plant.board.steps.get(number=10).stations.add(loose, plant.test)
    slot: Feed = plant.do(define_feed, key="LOOSE-SLOT", station=loose)
    plant.do(start_setup, key="LOOSE-SETUP", station=loose, assembly=plant.board, feeds={"R1": slot})
    bench: Feed = plant.do(define_feed, key="BENCH", station=plant.test)
    plant.do(start_setup, key="BENCH-SETUP", station=plant.test, assembly=plant.board, feeds={"C1": bench})
    plant.do(load_feed, 0, feed=slot, container=plant.reel("A"))
    (board,) = plant.boards()
    visit = plant.run(board, plant.test, 2, 3, outcome=Pass.Outcome.FAILED)
    plant.do(load_feed, 2.5, feed=slot, container=plant.reel("B"))
    plant.do(record_passes, 4, units=[board], station=loose)
    assert lots_of(board)["R1"] == {"LOT-B"}
    plant.do(void_pass, 5, entry=visit, reason="wrong traveller scanned")
    assert lots_of(board)["R1"] == {"LOT-A", "LOT-B"}
