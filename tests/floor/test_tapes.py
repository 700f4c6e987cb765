"""Building a sequenced tape by scan, and what refuses."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from tests.factories import Plant, candidates_at, make_assembly, make_part, make_station, moment, ticks
from tests.refusals import refused
from trace.core.clock import OPEN, telling
from trace.engineering.models import Characteristic
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.feeds import fill_by_hand, load_feed, take_off_feed
from trace.floor.operations.mounting import mount_tape, take_off_tape
from trace.floor.operations.passes import record_passes
from trace.floor.operations.tapes import (
    load_head,
    record_empty,
    record_pitch,
    record_reading,
    resume_tape,
    splice_head,
    stop_tape,
)
from trace.floor.queries import get_unit
from trace.floor.remaining import count_left, find_pace, forecast_feeds, list_offers
from trace.floor.tapes import find_next_board_set, find_slip, plan_from_stock, read_building
from trace.genealogy.backward import trace_backward
from trace.genealogy.known import as_known
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.material.models import Container, Feed, Mount, SetUp, Tape, TapeStop
from trace.material.operations.setups import abort_tape, finish_tape, start_tape
from trace.material.sequencing import Left, RunOut

pytestmark = pytest.mark.django_db

SEQUENCE = ["R1", "C1", "R2"]
HEADS = {"A": (0, ["R1", "R2"]), "B": (6, ["C1"])}
"""Head B stands two board sets up the chain."""


class Sequencer:
    """A plant, and a tape of 20 board sets being built, its heads loaded unless told otherwise."""

    def __init__(self, *, load: bool = True, run: bool = False) -> None:
        self.plant = Plant()
        self.tape: Tape = self.plant.do(
            start_tape, 0, key="T1", assembly=self.plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=20
        )
        self.a, self.b = Feed.objects.get(key="T1-A"), Feed.objects.get(key="T1-B")
        self.resistors = self.plant.reel("RA", quantity=500)
        self.capacitors = self.plant.reel("CA", self.plant.capacitor, quantity=60)
        if load:
            self.do(load_head, 1, feed=self.a, container=self.resistors)
            self.do(load_head, 1, feed=self.b, container=self.capacitors)
        if run:
            self.do(resume_tape, 2)

    def do(self, operation, minute: float, **told):
        return self.plant.do(operation, minute, **self._with_tape(operation, told))

    def refused(self, code: str, operation, minute: float = 50, **told):
        return refused(self.plant, code, operation, minute, **self._with_tape(operation, told))

    def _with_tape(self, operation, told):
        of_tape = {stop_tape, resume_tape, record_pitch, finish_tape, abort_tape, mount_tape, take_off_tape}
        return {"tape": self.tape, **told} if operation in of_tape else told

    @property
    def state(self) -> str:
        return read_building(Tape.objects.get(pk=self.tape.pk)).state

    def finish(self, minute: float = 30, board_sets: int = 20) -> Tape:
        self.tape = self.do(finish_tape, minute, board_sets=board_sets)
        return self.tape


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
    Characteristic.objects.create(
        part=it.plant.resistor, step_number=0, number=1, name="resistance", unit_of_measure="ohm",
        lower=Decimal(95), target=Decimal(100), upper=Decimal(105),
    )  # fmt: skip
    return it


def test_a_component_out_of_its_limits_is_not_loaded() -> None:
    it = with_limits()
    refusal = it.refused("reading-out", load_head, feed=it.a, container=it.resistors, value=Decimal("106.5"))
    assert "resistance is 106.5 ohm; it must be between 95 and 105" in refusal.message
    it.do(load_head, 1, feed=it.a, container=it.resistors, value=Decimal(101))
    assert it.tape.readings.get().good


def test_a_reading_out_of_its_limits_stops_the_tape() -> None:
    it = with_limits()
    it.refused("tape-refused", record_reading, feed=it.a, value=Decimal(100))
    it.do(load_head, 1, feed=it.a, container=it.resistors)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    it.do(resume_tape, 2)
    it.do(record_reading, 3, feed=it.a, value=Decimal(99))
    assert it.state == "running"
    it.refused("tape-refused", record_reading, feed=it.b, value=Decimal(1))
    it.refused("tape-refused", record_reading, feed=it.a, value=Decimal(99), characteristic="colour")
    for wrong in (Decimal("1e12"), Decimal("-1e30"), Decimal("NaN"), Decimal("Infinity")):
        it.refused("tape-refused", record_reading, feed=it.a, value=wrong)
    it.do(record_reading, 4, feed=it.a, value=Decimal(94))
    assert it.state == "stands"
    it.refused("tape-refused", resume_tape)
    it.do(record_reading, 5, feed=it.a, value=Decimal(96))
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


# Mounting -------------------------------------------------------------------------------------------------------------


def mounted() -> Sequencer:
    it = Sequencer(run=True)
    it.finish()
    it.do(mount_tape, 31, station=it.plant.insertion, assembly=it.plant.board, board_set=0)
    return it


def draw(it: Sequencer, board_set: int, minute: float) -> str:
    (board,) = it.plant.boards(1)
    told = {"positions": [(board_set, board_set)], "setup": SetUp.objects.get(axis__tape=it.tape)}
    it.plant.do(record_passes, minute, units=[board], station=it.plant.insertion, entered=moment(minute), **told)
    return board.key


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


# What is left ---------------------------------------------------------------------------------------------------------


def test_what_is_left_counts_what_the_tape_took() -> None:
    """500 resistors, two to a set; at board set 8 sixteen are surely gone, and two more perhaps."""
    it = Sequencer(run=True)
    it.do(stop_tape, 9, board_set=8, reason="look")
    assert count_left([it.resistors])[it.resistors.pk] == Left(482, 484)
    head = next(head for head in read_building(it.tape).heads if head.name == "A")
    assert head.runs_out == 8 + 482 // 2
    it.do(resume_tape, 10)
    it.finish()
    it.plant.do(take_off_feed, 31, feed=it.a, position=(20, 20))
    assert count_left([it.resistors])[it.resistors.pk] == Left(460, 460)


def test_offers_are_what_expires_first_and_may_be_loaded() -> None:
    plant = Plant()
    plant.reel("LATE", expiry=date(2027, 1, 1), quantity=5)
    plant.reel("SOON", expiry=date(2026, 6, 1), quantity=5)
    plant.reel("NEVER", quantity=5)
    plant.reel("OLD", expiry=date(2026, 3, 1), quantity=5)
    held = plant.reel("HELD", quantity=5)
    plant.do(place_holds, 1, targets=[held.lot], reason="drifts")
    offers = list_offers([plant.resistor], moment(5))["RES"]
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
    with django_assert_max_num_queries(20):
        building = read_building(tape)
    assert [head.runs_out for head in building.heads[:3]] == [40, 41, 42], "each began at the first board set"


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
