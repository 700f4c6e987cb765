"""What a station's bank comes to, and the plan of a changeover."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.factories import Plant, approve_substitute, make_assembly, make_part, moment
from trace.engineering.models import Part, Step
from trace.floor.changing import check_planned, plan_changeover
from trace.floor.operations.changeovers import approve_first_piece, end_setup, reject_first_piece, start_setup
from trace.floor.operations.feeds import charge_bath, find_on_feed, load_feed
from trace.floor.operations.mounting import mount_tape
from trace.floor.operations.passes import record_passes
from trace.floor.setups import Bank, FeedState, summarise_bank
from trace.holds.operations import place_holds
from trace.material.models import Feed, Lot
from trace.material.operations.setups import WrongPart, define_feed, finish_tape, start_tape

pytestmark = pytest.mark.django_db


def bank_of(plant: Plant, minute: float = 600) -> Bank:
    return summarise_bank(plant.insertion, moment(minute))


def feed_of(bank: Bank, key: str) -> FeedState:
    return next(one for one in bank.feeds if one.feed.key == key)


def load(plant: Plant, minute: float, feed: Feed, container: Any, **more: Any) -> None:
    plant.do(load_feed, minute, feed=feed, container=container, **more)


def test_an_empty_slot_a_low_one_and_one_that_is_used_up() -> None:
    plant = Plant()
    load(plant, 1, plant.slot_r, plant.reel("REEL-R", quantity=24), quantity=24, at_least=24)
    bank = bank_of(plant)
    assert feed_of(bank, "SLOT-C").warns == "Nothing is on record there. Load it."
    slot = feed_of(bank, "SLOT-R")
    assert (slot.certain, slot.low, slot.lasts.least, slot.places) == (True, False, 12, "R1, R2")
    for n, board in enumerate(plant.boards(2)):
        plant.run(board, plant.insertion, 10 + n, 10.5 + n)
    slot = feed_of(bank_of(plant), "SLOT-R")
    assert slot.low and slot.lasts.least == 10 and slot.warns == "Runs out soon. Bring the next one."
    for n, board in enumerate(plant.boards(10)):
        plant.run(board, plant.insertion, 20 + n, 20.5 + n)
    slot = feed_of(bank_of(plant), "SLOT-R")
    assert slot.exhausted and slot.stops.endswith("Scan what is loaded there now.") and not slot.known


def test_what_is_held_or_expired_stops_the_station() -> None:
    plant = Plant()
    load(plant, 1, plant.slot_r, plant.reel("REEL-R"))
    load(plant, 1, plant.slot_c, plant.reel("REEL-C", plant.capacitor))
    Lot.objects.filter(containers__key="REEL-C").update(expiry=date(2026, 3, 2))
    assert bank_of(plant, 60).stops == []
    plant.do(place_holds, 5, targets=[Lot.objects.get(containers__key="REEL-R")], reason="Drifts.")
    stops = bank_of(plant, 60 * 24 * 2).stops
    assert [one.feed.key for one, _ in stops] == ["SLOT-C", "SLOT-R"]
    assert "has expired" in stops[0][1] and "Drifts." in stops[1][1]
    plant.do(place_holds, 6, targets=[plant.insertion], reason="Guard broken.")
    assert [hold.reason for hold in bank_of(plant).holds] == ["Guard broken."]


def test_what_is_not_certain_is_to_be_scanned_and_a_bath_is_of_all_its_charges() -> None:
    plant = Plant()
    load(plant, 1, plant.slot_r, plant.reel("OLD"))
    plant.do(find_on_feed, 9, feed=plant.slot_r, container=plant.reel("NEW"))
    slot = feed_of(bank_of(plant), "SLOT-R")
    assert slot.certain and [one.key for one in slot.known] == ["NEW"]
    bath = plant.do(define_feed, key="BATH", station=plant.insertion, kind="bath")
    for key in ("BAR-1", "BAR-2"):
        plant.do(charge_bath, 10, feed=bath, container=plant.reel(key))
    state = feed_of(bank_of(plant), "BATH")
    assert len(state.known) == 2 and not state.certain, "what was in it before, nobody knows"


def test_how_far_it_is_verified_and_which_first_piece_is_owed() -> None:
    plant = Plant()
    Step.objects.filter(part=plant.board, number=10).update(verification="another", first_piece=True)
    load(plant, 1, plant.slot_r, plant.reel("REEL-R"))
    state = bank_of(plant).serving(plant.board)
    assert state and state.not_seen == ["SLOT-C", "SLOT-R"] and state.verified is None and state.by_another
    (piece,) = state.first_pieces
    assert piece.owed and piece.unit is None and not state.waits_for
    first, second = plant.boards(2)
    plant.do(record_passes, 5, units=[first, second], station=plant.insertion, entered=moment(4))
    state = bank_of(plant).setups[0]
    assert [one.unit for one in state.waits_for] == [first]
    plant.do(reject_first_piece, 6, setup=plant.setup, unit=first, reason="R1")
    assert not bank_of(plant).setups[0].waits_for and bank_of(plant).setups[0].first_pieces[0].owed
    plant.do(approve_first_piece, 7, setup=plant.setup, unit=first)
    assert not bank_of(plant).setups[0].first_pieces[0].owed
    assert bank_of(plant, 6.5).setups[0].first_pieces[0].owed


def test_a_mounted_tape_is_among_the_set_ups_and_asks_for_no_verification() -> None:
    plant = Plant()
    Step.objects.filter(part=plant.board, number=10).update(verification="anybody", first_piece=True)
    told = {"assembly": plant.board, "sequence": ["R1"], "board_sets": 5, "heads": {"H1": (0, ["R1"])}}
    tape = plant.do(start_tape, 1, key="T", **told)
    plant.do(finish_tape, 2, tape=tape, board_sets=5)
    plant.do(mount_tape, 3, tape=tape, station=plant.insertion, assembly=plant.board, board_set=0)
    states = {state.setup.key: state for state in bank_of(plant).setups}
    assert states["T-SETUP"].verification == "" and states["SETUP"].verification == "anybody"
    assert states["T-SETUP"].first_pieces[0].owed


# The plan -------------------------------------------------------------------------------------------------------------


def plan(plant: Plant, assembly: Part) -> dict[str, tuple[str, str]]:
    """Per place: (feed, what is to be done)."""
    places = plan_changeover(bank_of(plant), assembly).places
    return {one.designators: (one.feed.feed.key if one.feed else "", one.todo) for one in places}


def test_the_feed_that_holds_it_comes_first_then_that_of_the_last_set_up_then_a_free_one() -> None:
    plant = Plant()
    free = plant.do(define_feed, key="SLOT-A", station=plant.insertion)
    diode = make_part("DIODE")
    other = make_assembly(
        "OTHER",
        places={"D1": diode, "C7": plant.capacitor, "R9": plant.resistor, "M1": plant.board},
        route={10: [plant.insertion], 20: [plant.test]},
    )
    load(plant, 1, plant.slot_c, plant.reel("CAPS", plant.capacitor))
    assert plan(plant, other) == {
        "C7": ("SLOT-C", "in place"),
        "D1": ("SLOT-A", "load"),
        "R9": ("SLOT-R", "load"),
    }, "a serialised child comes from no feed"
    plant.do(end_setup, 2, setup=plant.setup)
    feeds = {"C7": free, "D1": plant.slot_r, "R9": plant.slot_c}
    load(plant, 3, plant.slot_c, plant.reel("RES-1"))
    plant.do(start_setup, 4, key="O-1", station=plant.insertion, assembly=other, feeds=feeds)
    assert plan(plant, other) == {
        "C7": ("SLOT-A", "load"),
        "D1": ("SLOT-R", "load"),
        "R9": ("SLOT-C", "in place"),
    }
    load(plant, 5, plant.slot_r, plant.reel("DIODES", diode))
    assert plan_changeover(bank_of(plant), other).unchanged is True
    again = plan_changeover(bank_of(plant), plant.board)
    assert not again.in_the_way, "both take capacitors from that slot"
    assert plan(plant, plant.board)["R1, R2"] == ("SLOT-C", "in place")
    assert plan(plant, plant.board)["C1"] == ("SLOT-A", "load")


def test_a_substitute_fits_and_what_no_feed_gave_before_is_left_out() -> None:
    plant = Plant()
    instead = make_part("CAP-2")
    approve_substitute(plant.board, "C1", instead)
    load(plant, 1, plant.slot_c, plant.reel("CAPS-2", instead))
    assert plan(plant, plant.board)["C1"] == ("SLOT-C", "in place")
    plant.do(start_setup, 2, key="S-2", station=plant.insertion, assembly=plant.board, feeds={"C1": plant.slot_c})
    assert set(plan(plant, plant.board)) == {"C1"}, "the resistors are fitted by hand"


def test_what_goes_elsewhere_is_said_where() -> None:
    plant = Plant()
    made = plan_changeover(bank_of(plant), plant.board)
    reel = plant.reel("REEL")
    check_planned(made, plant.slot_r, reel)
    with pytest.raises(WrongPart) as wrong:
        check_planned(made, plant.slot_c, reel)
    assert "SLOT-C gives C1 of BOARD, which take CAP" in wrong.value.message
    spare = plant.do(define_feed, key="SLOT-A", station=plant.insertion)
    load(plant, 1, spare, plant.reel("FUSES", plant.fuse))
    made = plan_changeover(bank_of(plant), plant.board)
    assert [one.feed.key for one in made.leftover] == ["SLOT-A"]
    with pytest.raises(WrongPart) as wrong:
        check_planned(made, spare, reel)
    assert "That goes on SLOT-R, not on SLOT-A" in wrong.value.message
    with pytest.raises(WrongPart) as wrong:
        check_planned(made, spare, plant.reel("FUSES-2", plant.fuse))
    assert "needs none of it here" in wrong.value.message
