"""Tapes on machines, what is left of what they took, and what is built from them."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from tests.factories import Plant, make_assembly, make_station, moment, ticks
from tests.floor.sequencer import HEADS, SEQUENCE, Sequencer, draw
from tests.refusals import refused
from trace.core.clock import OPEN, telling
from trace.floor.left import find_left
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.feeds import load_feed, take_off_feed
from trace.floor.operations.mounting import mount_tape, take_off_tape
from trace.floor.operations.passes import start_pass
from trace.floor.operations.tapes import (
    load_head,
    resume_tape,
    stop_tape,
)
from trace.floor.queries import get_unit
from trace.floor.remaining import find_pace, forecast_feeds, list_stock
from trace.floor.tapes import find_next_board_set, find_slip, plan_from_stock, read_building
from trace.genealogy.backward import trace_backward
from trace.genealogy.known import as_known
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.material.facts import Left
from trace.material.models import Container, Feed, Mount, SetUp, Tape
from trace.material.operations.setups import abort_tape, finish_tape, start_tape
from trace.material.sequencing import RunOut

pytestmark = pytest.mark.django_db


def mounted() -> Sequencer:
    it = Sequencer(run=True)
    it.finish()
    it.do(mount_tape, 31, station=it.plant.insertion, assembly=it.plant.board, board_set=0)
    return it


def test_a_part_used_tape_goes_on_again_at_the_right_board_set() -> None:
    it = mounted()
    for k in range(3):
        draw(it, k, 32 + k)
    assert find_next_board_set(it.tape) == 3
    it.do(take_off_tape, 40, board_set=3)
    told = {"station": it.plant.insertion, "assembly": it.plant.board}
    assert "next board set of T1 is 3, not 2" in it.refused("mount-refused", mount_tape, **told, board_set=2).message
    refusal = it.refused("mount-refused", mount_tape, **told, board_set=5)
    assert "2 would be skipped" in refusal.message
    it.refused("mount-refused", mount_tape, **told, board_set=20)
    it.do(mount_tape, 51, **told, board_set=5, reason="crushed")
    assert it.tape.mounts.count() == 2


def test_a_slipped_count_shows_at_taking_off_and_is_corrected() -> None:
    """The board counted as set 2 really took set 3: one was skipped. Taken off, the tape reads 4."""
    it = mounted()
    for k in range(3):
        draw(it, k, 32 + k)
    it.do(take_off_tape, 40, board_set=4)
    assert '"expected":3' in Event.objects.filter(verb="take_off_tape").get().payload.replace(" ", "")
    assert find_slip(it.tape) == (3, 4)
    it.plant.do(correct_board_sets, 41, tape=it.tape, good=1, found=2, slip=1, reason="one skipped")
    assert find_next_board_set(it.tape) == 4 and find_slip(it.tape) is None
    it.do(mount_tape, 42, station=it.plant.insertion, assembly=it.plant.board, board_set=4)


def test_mounting_is_refused() -> None:
    it = Sequencer(run=True)
    plant = it.plant
    told = {"station": plant.insertion, "assembly": plant.board, "board_set": 0}
    it.refused("mount-refused", mount_tape, **told)  # not finished
    it.refused("mount-refused", take_off_tape, board_set=0)  # on no machine
    it.finish()
    other = make_assembly("BOARD-B", places={"R1": plant.resistor}, route={10: [plant.insertion]})
    for wrong in ({"assembly": other}, {"station": plant.test}, {"station": make_station("AWAY")}, {"board_set": -1}):
        it.refused("mount-refused", mount_tape, **{**told, **wrong})
    second = plant.do(start_tape, 3, key="T2", assembly=plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=5)
    plant.do(finish_tape, 4, tape=second, board_sets=5)
    it.do(mount_tape, 31, **told)
    assert "on record as mounted at INSERT" in it.refused("mount-refused", mount_tape, **told).message
    refusal = it.refused("mount-refused", mount_tape, **{**told, "tape": second})
    assert "Tape T1 is on INSERT" in refusal.message
    it.refused("mount-refused", take_off_tape, board_set=-1)
    it.refused("mount-refused", take_off_tape, 30, board_set=1)
    it.do(take_off_tape, 60, board_set=20)
    assert "All 20 board sets of T1 are used" in it.refused("mount-refused", mount_tape, 61, **told).message


def test_what_is_held_on_the_rest_of_a_tape_is_not_mounted() -> None:
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, link=0, reason="run out")
    it.do(load_head, 10, feed=it.a, container=it.plant.reel("RB"))
    it.do(resume_tape, 11)
    it.finish()
    for k in range(9):
        draw(it, k, 31 + k)
    it.plant.do(place_holds, 45, targets=[it.resistors], reason="drifts")
    told = {"station": it.plant.insertion, "assembly": it.plant.board, "board_set": 9}
    mount = it.do(mount_tape, 46, **told)
    assert mount.first == 9, "what is held is used up on it"
    it.do(take_off_tape, 47, board_set=9)
    it.plant.do(place_holds, 48, targets=[Container.objects.get(key="RB").lot], reason="drifts too")
    it.refused("held", mount_tape, **told)


def test_what_is_built_from_the_tape_names_its_reels() -> None:
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, reason="run out")
    it.do(load_head, 10, feed=it.a, container=it.plant.reel("RB"))
    it.do(resume_tape, 11)
    it.finish()
    for board_set, reels in ((7, {"RA"}), (8, {"RA", "RB"}), (9, {"RB"})):
        built = trace_backward(get_unit(draw(it, board_set, 31 + board_set)))
        on = {place.designator: {o.container for e in place.standing for o in e.origins} for place in built.places}
        assert on == {"R1": reels, "R2": reels, "C1": {"CA"}}


def test_what_was_known_of_a_tape_before_its_end_stays_readable() -> None:
    with telling(moment(1)):
        it = Sequencer(run=True)
    with telling(moment(40)):
        it.finish(30)
        it.do(mount_tape, 31, station=it.plant.insertion, assembly=it.plant.board, board_set=0)
    with telling(moment(60)):
        it.do(take_off_tape, 50, board_set=4)
        second = it.plant.do(
            start_tape, 51, key="T2", assembly=it.plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=5
        )
        it.plant.do(abort_tape, 52, tape=second, board_sets=1, reason="torn")
    with as_known(ticks(20)):
        assert Tape.objects.get().built_until == OPEN and not Mount.objects.exists()
    with as_known(ticks(45)):
        mount = Mount.objects.get()
        assert (mount.end, mount.until, mount.taken_off_by) == (OPEN, OPEN, None)
    mount = Mount.objects.get()
    assert (mount.end, mount.until) == (4, ticks(50))


# What is left ---------------------------------------------------------------------------------------------------------


def test_what_is_left_counts_what_the_tape_took() -> None:
    """500 resistors, two to a set; at board set 8 sixteen are surely gone, and two more perhaps."""
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, reason="look")
    assert find_left(it.resistors) == Left(482, 484)
    head = next(head for head in read_building(it.tape).heads if head.name == "A")
    assert head.runs_out == 8 + 482 // 2
    it.do(resume_tape, 10)
    it.finish()
    it.plant.do(take_off_feed, 31, feed=it.a, position=(20, 20))
    assert find_left(it.resistors) == Left(460, 460)


def test_offers_are_what_expires_first_and_may_be_loaded() -> None:
    plant = Plant()
    plant.reel("LATE", expiry=date(2027, 1, 1), quantity=5)
    plant.reel("SOON", expiry=date(2026, 6, 1), quantity=5)
    plant.reel("NEVER", quantity=5)
    plant.reel("OLD", expiry=date(2026, 3, 1), quantity=5)
    held = plant.reel("HELD", quantity=5)
    plant.do(place_holds, 1, targets=[held.lot], reason="drifts")
    offers = list_stock([plant.resistor], moment(5))["RES"]
    assert [(one.key, one.left) for one in offers] == [("SOON", 5), ("LATE", 5), ("NEVER", 5)]


def test_the_plan_is_made_from_stock_and_substitutes() -> None:
    plant = Plant()
    plant.reel("RA", quantity=30)
    plant.reel("CA", plant.capacitor, quantity=9)
    made = plan_from_stock(plant.board, step=10, board_sets=20, heads=5, spacing=2, at=moment(5))
    assert [(head.part, head.wanted, head.short) for head in made.heads] == [("RES", 40, 10), ("CAP", 20, 11)]


def test_a_station_feed_runs_out_by_its_boards_and_pace() -> None:
    """Ten boards took two of 100 resistors each, one every two minutes: 80 are left, for 40 boards, 80 minutes."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RA", quantity=100))
    for n, board in enumerate(plant.boards(10)):
        plant.run(board, plant.insertion, 10 + 2 * n, 11 + 2 * n)
    pace = find_pace(plant.insertion, moment(60))
    assert pace == Decimal(2)
    assert forecast_feeds([plant.slot_r, plant.slot_c], pace) == {plant.slot_r.pk: RunOut(40, 40, 80)}
    Feed.objects.filter(pk=plant.slot_r.pk).update(kind=Feed.Kind.BIN)
    plant.slot_r.refresh_from_db()
    assert not forecast_feeds([plant.slot_r], pace), "the bag from which a bin is filled says nothing of the bin"


def test_neither_tape_nor_machine_is_mounted_twice_at_once_though_told_later() -> None:
    it = mounted()
    plant, other = it.plant, make_station("INSERT-2")
    plant.board.steps.get(number=10).stations.add(other)
    it.do(take_off_tape, 50, board_set=0)
    told = {"assembly": plant.board, "board_set": 0}
    for minute in (29, 31, 45):
        refusal = it.refused("mount-refused", mount_tape, minute, station=other, **told)
        assert "after that moment" in refusal.message
        it.refused("mount-refused", mount_tape, minute, station=plant.insertion, **told)
    it.do(mount_tape, 50, station=other, **told)


def test_what_was_drawn_from_a_tape_that_was_given_up_is_on_record_but_has_not_passed() -> None:
    it = Sequencer(run=True)
    it.tape = it.do(abort_tape, 30, board_sets=5, reason="torn")
    serial = draw(it, 1, 32)
    (entry,) = get_unit(serial).passes.all()
    assert (entry.outcome, entry.drew) == ("aborted", "all")
    (board,) = it.plant.boards()
    told = {"station": it.plant.insertion, "position": (2, 2), "setup": SetUp.objects.get(axis__tape=it.tape)}
    assert refused(it.plant, "stopped", start_pass, unit=board, **told).message == "Stop. Tape T1 was given up."


def test_what_was_drawn_from_a_tape_before_it_was_finished_is_on_record_but_has_not_passed() -> None:
    it = Sequencer(run=True)
    (board,) = it.plant.boards()
    told = {"station": it.plant.insertion, "unit": board, "position": (0, 0)}
    refusal = refused(it.plant, "stopped", start_pass, 20, setup=SetUp.objects.get(axis__tape=it.tape), **told)
    assert refusal.message == "Stop. Tape T1 is not finished."
    it.finish(30)
    (entry,) = get_unit(draw(it, 1, 29)).passes.all()
    assert (entry.outcome, entry.drew) == ("aborted", "all"), "it drew before, and is told later"
    it.plant.do(start_pass, 30, setup=SetUp.objects.get(axis__tape=it.tape), **told)
