"""Building a sequenced tape by scan, and what refuses."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from tests.factories import Plant, candidates_at, make_assembly, make_part
from tests.floor.sequencer import Sequencer
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.engineering.models import Part
from trace.floor.left import find_left
from trace.floor.operations.feeds import fill_by_hand
from trace.floor.operations.mounting import mount_tape
from trace.floor.operations.tapes import (
    load_head,
    record_empty,
    record_pitch,
    record_verifier_reading,
    resume_tape,
    splice_head,
    stop_tape,
)
from trace.floor.tapes import read_building
from trace.holds.operations import place_holds
from trace.material.facts import Left
from trace.material.models import Feed, Manner, TapeStop
from trace.material.operations.inspection import InspectionRow, reject_lot, set_inspection
from trace.material.operations.setups import abort_tape, finish_tape, start_tape

pytestmark = pytest.mark.django_db


def test_a_tape_is_loaded_runs_stops_and_is_finished() -> None:
    it = Sequencer(load=False)
    assert it.state == "being loaded"
    refusal = it.refused("tape-refused", resume_tape)
    assert "Head A has nothing known on it" in refusal.message and "Head B" in refusal.message
    it.do(load_head, 1, feed=it.a, container=it.resistors)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    it.do(resume_tape, 2)
    assert it.state == "running"
    it.do(stop_tape, 9, board_set=8, reason="run out")
    assert it.state == "stands" and read_building(it.tape).board_set == 8
    it.do(resume_tape, 12)
    it.finish()
    assert it.state == "finished" and not TapeStop.objects.filter(until=OPEN).exists()
    assert {candidates_at(it.a, k).pop() for k in range(20)} == {"RA"}


def test_a_change_takes_effect_where_the_head_stands() -> None:
    """At the reference board set 8 was read: head B, two sets up the chain, gives next to set 10 or 11."""
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, reason="run out")
    it.do(load_head, 10, feed=it.b, container=it.plant.reel("CB", it.plant.capacitor))
    assert [candidates_at(it.b, k) for k in (9, 10, 11)] == [{"CA"}, {"CA", "CB"}, {"CB"}]
    it.do(load_head, 10, feed=it.a, container=it.plant.reel("RB"))
    assert [candidates_at(it.a, k) for k in (7, 8, 9)] == [{"RA"}, {"RA", "RB"}, {"RB"}]


def test_a_change_at_a_link_that_was_read_is_exact() -> None:
    """24 links (8 sets of 3) have passed: the first resistor of set 8 comes next to head A."""
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, link=0, reason="run out")
    it.do(load_head, 10, feed=it.a, container=it.plant.reel("RB"))
    assert [candidates_at(it.a, k) for k in (7, 8)] == [{"RA"}, {"RB"}]


def test_a_splice_comes_in_by_its_lead() -> None:
    """Four resistors lie before the splice, two to a set: sets 8 and 9, or 9 and 10, within one part."""
    it = Sequencer(run=True)
    it.refused("tape-refused", splice_head, feed=it.a, container=it.plant.reel("RX"), lead=4, tolerance=0)
    it.do(splice_head, 9, feed=it.a, container=it.plant.reel("RB"), lead=4, tolerance=0, board_set=8)
    assert [candidates_at(it.a, k) for k in (9, 10, 11)] == [{"RA"}, {"RA", "RB"}, {"RB"}]


def test_what_is_loaded_is_refused() -> None:
    it = Sequencer(load=False)
    plant = it.plant
    good = {"feed": it.a, "container": it.resistors}
    old = plant.reel("OLD", expiry=date(2026, 3, 1))
    held = plant.reel("HELD")
    plant.do(place_holds, 1, targets=[held], reason="drifts")
    slot = plant.slot_r
    for code, wrong in (
        ("wrong-part", {"container": it.capacitors}),
        ("wrong-part", {"container": plant.reel("OTHER", make_part("RES-B"))}),
        ("expired", {"container": old}),
        ("held", {"container": held}),
        ("tape-refused", {"feed": slot}),
        ("tape-refused", {"value": Decimal(10)}),
    ):
        it.refused(code, load_head, **{**good, **wrong})
    plant.do(place_holds, 2, targets=[it.tape], reason="wrong order")
    it.refused("held", load_head, **good)


def test_a_tape_that_runs_or_has_ended_is_not_loaded() -> None:
    it = Sequencer(run=True)
    told = {"feed": it.a, "container": it.plant.reel("RB")}
    assert it.refused("tape-refused", load_head, **told).action.startswith("Stop it")
    it.finish()
    it.refused("tape-refused", load_head, **told)
    it.refused("tape-refused", splice_head, **told, lead=1, tolerance=0)
    it.refused("tape-refused", stop_tape, board_set=5, reason="x")
    it.refused("tape-refused", record_empty, feed=it.a, designator="R1", board_set=1)
    it.refused("setup-refused", abort_tape, board_sets=5, reason="x")


def test_stops_are_refused_that_can_not_be() -> None:
    it = Sequencer(run=True)
    good = {"board_set": 8, "reason": "run out"}
    for wrong in ({"reason": " "}, {"board_set": -1}, {"board_set": 2**70}, {"link": 3}, {"link": -1}):
        it.refused("tape-refused", stop_tape, **{**good, **wrong})
    it.refused("tape-refused", stop_tape, 1, **good)
    it.refused("tape-refused", resume_tape)
    it.do(stop_tape, 9, **good)
    it.refused("tape-refused", stop_tape, **good)
    it.refused("tape-refused", resume_tape, 8)
    it.do(resume_tape, 12)
    it.refused("tape-refused", stop_tape, board_set=7, reason="again")


def test_a_hold_or_an_expiry_that_came_meanwhile_keeps_it_standing() -> None:
    it = Sequencer()
    it.plant.do(place_holds, 2, targets=[it.resistors.lot], reason="drifts")
    it.refused("held", resume_tape)


def test_an_expired_lot_keeps_it_standing() -> None:
    it = Sequencer(load=False)
    fresh = it.plant.reel("FRESH", expiry=date(2026, 3, 2))
    it.do(load_head, 1, feed=it.a, container=fresh)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    it.refused("expired", resume_tape, 24 * 60)


def test_a_lot_rejected_meanwhile_or_a_floor_life_over_keeps_it_standing() -> None:
    it = Sequencer(load=False)
    Part.objects.filter(pk=it.plant.capacitor.pk).update(moisture_level="5a")
    it.do(load_head, 1, feed=it.a, container=it.resistors)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    assert "floor life is 24 h" in it.refused("floor-life-over", resume_tape, 25 * 60).message
    it.do(reject_lot, 2, lot=it.resistors.lot, evidence="Wrong marking.")
    it.refused("lot-not-released", resume_tape, 3)


def test_an_empty_place_is_filled_by_hand_before_the_end() -> None:
    it = Sequencer(run=True)
    it.do(record_empty, 5, feed=it.a, designator="r2", board_set=4)
    assert it.state == "running" and read_building(it.tape).empties == [(4, "R2")]
    it.refused("tape-refused", record_empty, feed=it.a, designator="R2", board_set=4)
    refusal = it.refused("setup-refused", finish_tape, board_sets=20)
    assert "R2 of board set 4 is empty" in refusal.message
    it.plant.do(fill_by_hand, 6, feed=it.a, container=it.plant.reel("RB"), board_set=4)
    assert read_building(it.tape).empties == []
    it.finish()
    assert candidates_at(it.a, 4) == {"RA", "RB"} and candidates_at(it.a, 5) == {"RA"}
    spare = it.plant.reel("RC")
    refusal = refused(it.plant, "feed-refused", fill_by_hand, feed=it.a, container=spare, board_set=20)
    assert "20 board sets, 0 to 19" in refusal.message


def test_a_tape_runs_on_after_the_board_set_that_a_head_gives_to_next_was_filled_by_hand() -> None:
    """Its one place there is filled: what hangs on the head is what gives to the one after it."""
    it = Sequencer()
    for board_set in (0, 1):
        it.plant.do(fill_by_hand, 1, feed=it.b, container=it.plant.reel(f"H{board_set}", it.plant.capacitor),
                    board_set=board_set)  # fmt: skip
    assert {head.feed: head.on for head in read_building(it.tape).heads} == {
        it.a: [it.resistors],
        it.b: [it.capacitors],
    }
    it.do(resume_tape, 2)
    assert it.state == "running"


def test_what_was_found_empty_was_not_drawn() -> None:
    """Nor does it use up what lies before a splice: the old reel gives one part more, to the next board set."""
    it = Sequencer(run=True)
    it.do(
        splice_head, 4, feed=it.b, container=it.plant.reel("CB", it.plant.capacitor), lead=4, tolerance=0, board_set=8
    )
    assert [candidates_at(it.b, k) for k in (13, 14, 15)] == [{"CA"}, {"CA", "CB"}, {"CB"}]
    it.do(record_empty, 5, feed=it.b, designator="C1", board_set=12)
    assert [candidates_at(it.b, k) for k in (13, 14, 15, 16)] == [{"CA"}, {"CA"}, {"CA", "CB"}, {"CB"}]
    it.do(record_empty, 6, feed=it.a, designator="R1", board_set=4)
    it.do(stop_tape, 9, board_set=8, link=0, reason="end of shift")
    assert find_left(it.resistors) == Left(Decimal(500 - 8 * 2 + 1), Decimal(500 - 8 * 2 + 1))


def test_an_empty_place_off_the_end_does_not_matter() -> None:
    it = Sequencer(run=True)
    it.do(record_empty, 5, feed=it.b, designator="C1", board_set=19)
    it.finish(board_sets=19)
    assert it.tape.board_sets == 19


@pytest.mark.parametrize("wrong", [{"designator": "C1"}, {"board_set": -1}, {"board_set": 2**40}], ids=str)
def test_an_empty_place_that_can_not_be_is_refused(wrong) -> None:
    it = Sequencer(run=True)
    it.refused("tape-refused", record_empty, **{"feed": it.a, "designator": "R1", "board_set": 4, **wrong})


def test_two_missing_in_a_row_stop_the_tape_until_the_reel_is_changed() -> None:
    it = Sequencer(run=True)
    it.do(record_empty, 5, feed=it.a, designator="R1", board_set=4)
    it.do(record_empty, 5, feed=it.a, designator="R2", board_set=4)
    assert it.state == "stands"
    assert "in a row were missing" in it.refused("tape-refused", resume_tape).message
    other = it.plant.reel("RB")
    refusal = it.refused("tape-refused", load_head, feed=it.a, container=other)
    assert "where the tape stands" in refusal.message
    it.do(stop_tape, 6, board_set=5, reason="two missing")
    assert TapeStop.objects.filter(until=OPEN).get().is_read
    it.do(load_head, 7, feed=it.a, container=other)
    it.do(resume_tape, 8)
    assert it.state == "running"


def with_limits() -> Sequencer:
    it = Sequencer(load=False)
    limits = {"unit_of_measure": "ohm", "lower": Decimal(95), "upper": Decimal(105)}
    rows = [InspectionRow("finish", Manner.EVERY), InspectionRow("resistance", Manner.EVERY, **limits)]
    it.plant.do(set_inspection, part=it.plant.resistor, rows=rows)
    return it


def test_a_component_out_of_its_limits_is_not_loaded() -> None:
    it = with_limits()
    refusal = it.refused("reading-out", load_head, feed=it.a, container=it.resistors, value=Decimal("106.5"))
    assert "resistance is 106.5 ohm; it must be between 95 and 105" in refusal.message
    it.do(load_head, 1, feed=it.a, container=it.resistors, value=Decimal(101))
    assert it.tape.readings.get().good


def test_a_reading_out_of_its_limits_stops_the_tape() -> None:
    it = with_limits()
    it.refused("tape-refused", record_verifier_reading, feed=it.a, value=Decimal(100))
    it.do(load_head, 1, feed=it.a, container=it.resistors)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    it.do(resume_tape, 2)
    it.do(record_verifier_reading, 3, feed=it.a, value=Decimal(99))
    assert it.state == "running"
    it.refused("tape-refused", record_verifier_reading, feed=it.b, value=Decimal(1))
    it.refused("tape-refused", record_verifier_reading, feed=it.a, value=Decimal(99), characteristic="colour")
    for wrong in (Decimal("1e12"), Decimal("-1e30"), Decimal("NaN"), Decimal("Infinity")):
        it.refused("tape-refused", record_verifier_reading, feed=it.a, value=wrong)
    it.do(record_verifier_reading, 4, feed=it.a, value=Decimal(94))
    assert it.state == "stands"
    it.refused("tape-refused", resume_tape)
    it.do(record_verifier_reading, 5, feed=it.a, value=Decimal(96))
    it.do(resume_tape, 6)
    assert it.state == "running"


def test_pitches_out_of_their_tolerance_stop_the_tape() -> None:
    it = Sequencer(run=True)
    good = {"taping": "radial", "pitches": 20, "length": Decimal("254.6")}
    for wrong in ({"taping": "loose"}, {"pitches": 0}, {"length": Decimal(0)}, {"length": Decimal("1e20")}):
        it.refused("tape-refused", record_pitch, **{**good, **wrong})
    it.do(record_pitch, 3, **good)
    assert it.state == "running"
    it.do(record_pitch, 4, **{**good, "length": Decimal("255.1")})
    assert it.state == "stands"


def test_a_tape_is_given_up_with_a_reason() -> None:
    it = Sequencer(run=True)
    it.refused("setup-refused", abort_tape, board_sets=5, reason="")
    it.refused("setup-refused", abort_tape, board_sets=-1, reason="torn")
    it.do(abort_tape, 9, board_sets=5, reason="torn")
    it.tape.refresh_from_db()
    assert (it.state, it.tape.board_sets, it.tape.planned) == ("aborted", 5, 20)
    it.refused("mount-refused", mount_tape, station=it.plant.insertion, assembly=it.plant.board, board_set=0)


def test_reading_a_tape_of_many_heads_costs_no_more_queries(django_assert_max_num_queries) -> None:
    plant = Plant()
    names = [f"R{n}" for n in range(30)]
    parts = {name: make_part(f"PART-{name}") for name in names}
    board = make_assembly("WIDE", places=parts, route={10: [plant.insertion]})
    heads = {f"H{n}": (n, [name]) for n, name in enumerate(names)}
    tape = plant.do(start_tape, 1, key="T8", assembly=board, sequence=names, heads=heads, board_sets=50)
    for n, name in enumerate(names):
        reel = plant.reel(f"REEL-{n}", parts[name], quantity=40 + n)
        plant.do(load_head, 2, feed=Feed.objects.get(key=f"T8-H{n}"), container=reel)
    plant.do(resume_tape, 3, tape=tape)
    plant.do(stop_tape, 4, tape=tape, board_set=10, link=0, reason="look")
    with django_assert_max_num_queries(26):
        building = read_building(tape)
    assert [head.runs_out for head in building.heads[:3]] == [40, 41, 42], "each began at the first board set"
