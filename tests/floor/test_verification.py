"""Steps that ask for a verified set-up, and for an approved first piece, as of each scan."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, make_person, moment
from tests.refusals import refused
from trace.core.models import Person
from trace.engineering.models import ScanMode, Step
from trace.floor.models import FirstPiece, Pass, Unit
from trace.floor.operations.changeovers import approve_first_piece, end_setup, reject_first_piece, start_setup
from trace.floor.operations.corrections import void_feed_record
from trace.floor.operations.feeds import clear_feed, find_on_feed, load_feed, splice_feed, take_off_feed
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.verifying import list_seen
from trace.material.models import Feed, FeedRecord, SetUp
from trace.material.operations.setups import define_feed, finish_tape, start_tape

pytestmark = pytest.mark.django_db

UNSEEN, OWED = "set-up-not-verified", "first-piece-owed"


class Line:
    """The tiny plant whose first step asks for something, both slots loaded at minute 1."""

    def __init__(self, *, plant: Plant | None = None, **asks: Any) -> None:
        self.plant = plant or Plant()
        Step.objects.filter(part=self.plant.board, number=10).update(**asks)
        self.ben, self.cat = make_person("BEN"), make_person("CAT")
        self.reel_r, self.reel_c = self.plant.reel("REEL-R"), self.plant.reel("REEL-C", self.plant.capacitor)
        self.at = {"position": (0, 0)} if self.plant.insertion.counts_cycles else {}
        self.load(1, self.plant.slot_r, self.reel_r)
        self.load(1, self.plant.slot_c, self.reel_c)

    def load(self, minute: float, feed: Feed, container: Any, **more: Any) -> FeedRecord:
        return self.plant.do(load_feed, minute, feed=feed, container=container, **self.at, **more)

    def see(self, minute: float, feed: Feed, container: Any, by: Person | None = None) -> FeedRecord:
        return self.plant.do(find_on_feed, minute, feed=feed, container=container, by=by or self.plant.ann, **self.at)

    def walk(self, minute: float, by: Person | None = None) -> None:
        self.see(minute, self.plant.slot_r, self.reel_r, by)
        self.see(minute, self.plant.slot_c, self.reel_c, by)

    def stopped(self, minute: float, unit: Unit | None = None) -> list[str]:
        """The rules that stop a unit at a moment; it goes in if there are none."""
        unit = unit or self.plant.boards()[0]
        there = {"unit": unit, "station": self.plant.insertion}
        try:
            self.plant.do(start_pass, minute, **there)
        except Exception:
            refusal = refused(self.plant, "stopped", start_pass, minute, **there)
            return [code for code, *_ in refusal.extra["refusals"]]
        self.plant.do(finish_pass, minute + 0.1, unit=unit)
        return []


def test_a_set_up_is_verified_when_each_feed_was_seen_since_it_last_changed() -> None:
    line = Line(verification="anybody")
    slot_r, slot_c = line.plant.slot_r, line.plant.slot_c
    refusal = refused(line.plant, "stopped", start_pass, 2, unit=line.plant.boards()[0], station=line.plant.insertion)
    assert refusal.message == "Stop. What is on SLOT-C, SLOT-R was not seen since it was put there."
    line.see(3, slot_r, line.reel_r)
    assert line.stopped(4) == [UNSEEN]
    line.see(5, slot_c, line.reel_c)
    assert line.stopped(4.5) == [UNSEEN], "then it was not yet seen"
    assert line.stopped(6) == []
    line.plant.do(splice_feed, 7, feed=slot_r, container=line.plant.reel("NEXT"), lead=4, tolerance=1)
    assert line.stopped(8) == [UNSEEN] and line.stopped(6.5) == []
    line.see(9, slot_r, line.reel_r)
    assert line.stopped(10) == []


@pytest.mark.parametrize("change", [clear_feed, take_off_feed])
def test_what_is_taken_away_is_to_be_seen_again(change: Any) -> None:
    line = Line(verification="anybody")
    line.walk(2)
    line.plant.do(change, 5, feed=line.plant.slot_c)
    assert line.stopped(4) == [] and line.stopped(6) == [UNSEEN]
    line.load(
        7, line.plant.slot_c, line.reel_c if change is take_off_feed else line.plant.reel("C2", line.plant.capacitor)
    )
    assert line.stopped(8) == [UNSEEN]


def test_what_is_found_different_stops_until_it_is_seen_once_more() -> None:
    line = Line(verification="anybody")
    line.walk(2)
    other = line.plant.reel("OTHER")
    assert line.see(5, line.plant.slot_r, other).act == FeedRecord.Act.FOUND
    assert line.stopped(4) == [] and line.stopped(6) == [UNSEEN]
    assert line.see(7, line.plant.slot_r, other).act == FeedRecord.Act.SIGHTING
    assert line.stopped(8) == []


def test_a_load_that_is_recorded_late_undoes_it_from_when_it_happened_and_a_voided_sighting_too() -> None:
    line = Line(verification="anybody")
    line.walk(5)
    assert line.stopped(9) == []
    late = line.load(7, line.plant.slot_r, line.plant.reel("LATE"))
    assert line.stopped(6) == [] and line.stopped(10) == [UNSEEN]
    line.plant.do(void_feed_record, 11, record=late, reason="another slot")
    assert line.stopped(12) == []
    sighting = FeedRecord.objects.get(feed=line.plant.slot_c, act="sighting")
    line.plant.do(void_feed_record, 13, record=sighting, reason="not looked at")
    assert line.stopped(14) == [UNSEEN]


def test_another_person_is_one_who_neither_put_it_there_nor_started_the_set_up() -> None:
    line = Line(verification="another")
    line.walk(2)
    refusal = refused(line.plant, "stopped", start_pass, 3, unit=line.plant.boards()[0], station=line.plant.insertion)
    assert "by anybody but who put it there or started the set-up" in refusal.message
    line.walk(4, line.ben)
    assert line.stopped(5) == []
    line.load(6, line.plant.slot_r, line.plant.reel("R2"), by=line.ben)
    line.see(7, line.plant.slot_r, _last(line), line.ben)
    assert line.stopped(8) == [UNSEEN], "he put it there"
    line.see(9, line.plant.slot_r, _last(line))
    assert line.stopped(10) == [UNSEEN], "Ann started the set-up"
    line.see(11, line.plant.slot_r, _last(line), line.cat)
    assert line.stopped(12) == []


def _last(line: Line) -> Any:
    return FeedRecord.objects.filter(feed=line.plant.slot_r, act="load").latest("happened").container


def test_a_changeover_is_verified_anew() -> None:
    line = Line(verification="anybody")
    line.walk(2)
    plant = line.plant
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    plant.do(start_setup, 10, key="SETUP-2", station=plant.insertion, assembly=plant.board, feeds=feeds)
    assert line.stopped(9) == [] and line.stopped(11) == [UNSEEN]
    line.walk(12)
    assert line.stopped(13) == []


def test_a_late_scan_keeps_its_draws_and_does_not_pass() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    line = Line(plant=plant, verification="anybody")
    first, second = plant.boards(2)
    plant.do(record_passes, 3, units=[first, second], station=plant.insertion, rack="RACK")
    assert set(Pass.objects.values_list("outcome", flat=True)) == {"aborted"}
    line.walk(4)
    plant.do(record_passes, 5, units=[first, second], station=plant.insertion, rack="RACK")
    assert Pass.objects.filter(outcome="passed").count() == 2


def test_baths_are_not_seen_and_tapes_are_not_verified() -> None:
    plant = Plant()
    bath = plant.do(define_feed, key="BATH", station=plant.insertion, kind="bath")
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": bath}
    line = Line(plant=plant, verification="anybody")
    setup = plant.do(start_setup, 2, key="S-2", station=plant.insertion, assembly=plant.board, feeds=feeds)
    assert [one.key for one in list_seen([setup], 2**52)[setup.pk]] == ["SLOT-R"]
    line.see(3, plant.slot_r, line.reel_r)
    assert line.stopped(4) == []
    told = {"assembly": plant.board, "sequence": ["R1", "R2", "C1"], "board_sets": 2}
    heads = {"H1": (0, ["R1", "R2"]), "H2": (0, ["C1"])}
    tape = plant.do(start_tape, 5, key="T", heads=heads, **told)
    plant.do(finish_tape, 6, tape=tape, board_sets=2)
    (board,) = plant.boards()
    there = {"station": plant.insertion, "setup": SetUp.objects.get(key="T-SETUP"), "position": (0, 0)}
    Step.objects.update(verification="another", first_piece=True)
    plant.do(start_pass, 7, unit=board, **there)
    second = plant.boards()[0]
    refusal = refused(plant, "stopped", start_pass, 8, unit=second, **{**there, "position": (1, 1)})
    assert [code for code, *_ in refusal.extra["refusals"]] == [OWED], "each tape has its first piece"


# First pieces ---------------------------------------------------------------------------------------------------------


def approve(line: Line, minute: float, unit: Unit, setup: SetUp | None = None) -> FirstPiece:
    return line.plant.do(approve_first_piece, minute, setup=setup or line.plant.setup, unit=unit)


def test_the_first_goes_in_and_the_next_waits_until_it_is_approved() -> None:
    line = Line(first_piece=True)
    first, second = line.plant.boards(2)
    assert line.stopped(5, first) == []
    assert line.stopped(6, second) == [OWED]
    refusal = refused(line.plant, "stopped", start_pass, 6, unit=second, station=line.plant.insertion)
    assert refusal.message == f"Stop. {first.key} went first after the changeover and is not approved."
    approve(line, 8, first)
    assert line.stopped(7, second) == [OWED], "then it was not yet approved"
    assert line.stopped(9, second) == [] and line.stopped(10) == []


def test_the_first_piece_itself_may_go_in_again() -> None:
    line = Line(first_piece=True)
    (board,) = line.plant.boards()
    line.plant.do(start_pass, 5, unit=board, station=line.plant.insertion)
    line.plant.do(finish_pass, 6, unit=board, outcome="failed")
    assert line.stopped(7, board) == []


def test_after_a_rejection_one_more_goes_first() -> None:
    line = Line(first_piece=True)
    first, second, third = line.plant.boards(3)
    assert line.stopped(5, first) == []
    told = {"setup": line.plant.setup, "unit": first}
    refused(line.plant, "setup-refused", reject_first_piece, 6, reason=" ", **told)
    line.plant.do(reject_first_piece, 6, reason="R1 stands proud", **told)
    assert line.stopped(5.5, second) == [OWED]
    assert line.stopped(7, second) == [] and line.stopped(8, third) == [OWED]
    approve(line, 9, second)
    assert line.stopped(10, third) == []
    line.plant.do(reject_first_piece, 11, setup=line.plant.setup, unit=second, reason="looked again: C1 is turned")
    assert line.stopped(12) == [] and line.stopped(13) == [OWED]


def test_a_changeover_owes_another_first_piece() -> None:
    line = Line(first_piece=True)
    plant = line.plant
    (first,) = plant.boards()
    assert line.stopped(5, first) == []
    approve(line, 6, first)
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    there = {"station": plant.insertion, "assembly": plant.board}
    new = plant.do(start_setup, 10, key="SETUP-2", feeds=feeds, **there)
    assert line.stopped(11) == [] and line.stopped(12) == [OWED] and line.stopped(9) == []
    refused(plant, "setup-refused", approve_first_piece, 13, setup=new, unit=first)


def test_what_was_inside_before_the_set_up_began_is_no_first_piece() -> None:
    """The changeover is told late: it lies between a unit's scan in and its scan out."""
    line = Line(first_piece=True)
    plant = line.plant
    (first,) = plant.boards()
    assert line.stopped(5, first) == []
    approve(line, 6, first)
    (inside,) = plant.boards()
    plant.do(start_pass, 9, unit=inside, station=plant.insertion)
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    told = {"key": "SETUP-2", "feeds": feeds, "station": plant.insertion, "assembly": plant.board}
    assert "still inside" in refused(plant, "setup-refused", start_setup, 10, **told).message
    plant.do(finish_pass, 12, unit=inside)
    new = plant.do(start_setup, 10, **told)
    refused(plant, "setup-refused", approve_first_piece, 13, setup=new, unit=inside)
    assert line.stopped(14) == [] and line.stopped(15) == [OWED]


def test_only_what_came_through_is_decided_on() -> None:
    line = Line(first_piece=True)
    (board,) = line.plant.boards()
    refused(line.plant, "setup-refused", approve_first_piece, 5, setup=line.plant.setup, unit=board)
    line.plant.do(start_pass, 5, unit=board, station=line.plant.insertion)
    told = {"setup": line.plant.setup, "unit": board}
    assert "Scan the unit out first" in refused(line.plant, "setup-refused", approve_first_piece, 6, **told).action
    line.plant.do(finish_pass, 7, unit=board)
    refused(line.plant, "setup-refused", approve_first_piece, 6, **told)
    assert approve(line, 8, board).approved


def test_of_a_rack_the_first_passes_and_the_draws_of_the_others_stand() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    line = Line(plant=plant, first_piece=True)
    rack = plant.boards(3)
    plant.do(record_passes, 5, units=rack, station=plant.insertion, rack="RACK")
    outcomes = dict(Pass.objects.values_list("unit", "outcome"))
    assert [outcomes[unit.pk] for unit in rack] == ["passed", "aborted", "aborted"]
    approve(line, 6, rack[0])
    plant.do(record_passes, 7, units=rack[1:], station=plant.insertion, rack="RACK")
    assert Pass.objects.filter(outcome="passed").count() == 3


def test_a_machine_that_counts_is_verified_by_moments() -> None:
    plant = Plant(counts_cycles=True)
    line = Line(plant=plant, verification="anybody", first_piece=True)
    first, second = plant.boards(2)

    def go(minute: float, unit: Unit, position: int) -> Any:
        return plant.do(start_pass, minute, unit=unit, station=plant.insertion, position=(position, position))

    refused(plant, "stopped", start_pass, 2, unit=first, station=plant.insertion, position=(0, 0))
    line.walk(3)
    go(4, first, 0)
    plant.do(finish_pass, 5, unit=first)
    refused(plant, "stopped", start_pass, 6, unit=second, station=plant.insertion, position=(1, 1))
    approve(line, 7, first)
    go(8, second, 1)


# The end of a set-up --------------------------------------------------------------------------------------------------


def test_where_a_set_up_was_ended_nothing_goes_in_until_the_next() -> None:
    line = Line()
    plant = line.plant
    assert line.stopped(5) == []
    plant.do(end_setup, 10, setup=plant.setup)
    assert line.stopped(11) == ["no-setup"] and line.stopped(9) == []
    plant.do(load_feed, 12, feed=plant.slot_r, container=plant.reel("ANY", plant.fuse))
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    there = {"station": plant.insertion, "assembly": plant.board, "feeds": feeds}
    refused(plant, "wrong-part", start_setup, 20, key="S-2", **there)
    plant.do(load_feed, 21, feed=plant.slot_r, container=plant.reel("R2"))
    assert "SETUP ended after that" in refused(plant, "setup-refused", start_setup, 9, key="S-2", **there).message
    after = plant.do(start_setup, 22, key="S-2", **there)
    assert (after.first, SetUp.objects.get(key="SETUP").end < after.first) == (after.started, True)
    assert line.stopped(15) == ["no-setup"] and line.stopped(23) == []


def test_a_set_up_is_not_ended_under_a_unit() -> None:
    line = Line()
    plant = line.plant
    (board,) = plant.boards()
    plant.do(start_pass, 5, unit=board, station=plant.insertion)
    assert "still inside" in refused(plant, "setup-refused", end_setup, 6, setup=plant.setup).message
    plant.do(finish_pass, 7, unit=board)
    assert "went in after that" in refused(plant, "setup-refused", end_setup, 4, setup=plant.setup).message
    plant.do(end_setup, 8, setup=plant.setup)
    assert "has ended" in refused(plant, "setup-refused", end_setup, 9, setup=plant.setup).message
    told = {"assembly": plant.board, "sequence": ["R1"], "board_sets": 2, "heads": {"H1": (0, ["R1"])}}
    plant.do(start_tape, 10, key="T", **told)
    refused(plant, "setup-refused", end_setup, 11, setup=SetUp.objects.get(key="T-SETUP"))


def test_what_it_asks_does_not_grow_with_feeds_or_units() -> None:
    def asked(feeds: int, units: int) -> int:
        plant = Plant(mode=ScanMode.LOOSE)
        Step.objects.filter(part=plant.board, number=10).update(verification="another", first_piece=True)
        rack = plant.boards(units)
        slots = {f"X{n}": plant.do(define_feed, key=f"X{n}", station=plant.insertion) for n in range(feeds)}
        for name in slots:
            plant.board.designators.create(name=name, line=plant.board.lines.first(), step_number=10)
        plant.do(start_setup, 1, key="WIDE", station=plant.insertion, assembly=plant.board, feeds=slots)
        with CaptureQueriesContext(connection) as queries:
            plant.do(record_passes, 5, units=rack, station=plant.insertion, rack="RACK", entered=moment(4))
        return len(queries)

    counts = []
    for feeds, units in ((1, 2), (12, 2), (1, 20)):
        with transaction.atomic():
            counts.append(asked(feeds, units))
            transaction.set_rollback(True)
    assert len(set(counts)) == 1


# Set-ups of their own -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asks", [{"verification": "anybody"}, {"first_piece": True}])
def test_a_part_without_a_set_up_here_waits_for_one(asks: dict[str, Any]) -> None:
    """Of a step that draws from no feed the set-up has none, and says when the changeover was."""
    plant = Plant()
    line = Line(plant=plant)
    Step.objects.filter(part=plant.board, number=20).update(**asks)
    first, second = plant.boards(2)
    for board in (first, second):
        assert line.stopped(5 + board.pk % 7, board) == []
    told = {"station": plant.test}
    refusal = refused(plant, "stopped", start_pass, 20, unit=first, **told)
    assert [code for code, *_ in refusal.extra["refusals"]] == ["set-up-owed"]
    setup = plant.do(start_setup, 21, key="T-1", assembly=plant.board, feeds={}, **told)
    plant.do(start_pass, 22, unit=first, **told)
    plant.do(finish_pass, 23, unit=first)
    if "first_piece" in asks:
        refused(plant, "stopped", start_pass, 24, unit=second, **told)
        approve(line, 25, first, setup)
    plant.do(start_pass, 26, unit=second, **told)


def test_of_a_unit_that_is_due_elsewhere_nothing_of_the_station_is_told() -> None:
    """Nobody is to set up, to qualify for or to calibrate anything for it."""
    plant = Plant()
    Step.objects.filter(part=plant.board, number=10).update(verification="anybody", equipment_kind="inserter")
    refusal = refused(plant, "stopped", start_pass, 5, unit=plant.boards()[0], station=plant.test)
    assert [code for code, *_ in refusal.extra["refusals"]] == ["not-due"]


def test_what_went_in_before_the_set_up_is_no_first_piece() -> None:
    """The changeover was recorded late: the unit had come out meanwhile."""
    line = Line(first_piece=True)
    plant = line.plant
    before, after = plant.boards(2)
    plant.do(start_pass, 5, unit=before, station=plant.insertion)
    plant.do(finish_pass, 8, unit=before)
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    told = {"station": plant.insertion, "assembly": plant.board, "feeds": feeds}
    setup = plant.do(start_setup, 6, key="SETUP-2", **told)
    refused(plant, "setup-refused", approve_first_piece, 9, setup=setup, unit=before)
    assert line.stopped(10, after) == []
    assert approve(line, 11, after, setup).approved


def test_a_count_from_before_the_set_up_is_not_judged_under_the_one_before() -> None:
    plant = Plant(counts_cycles=True)
    line = Line(plant=plant, first_piece=True)
    first, second, late = plant.boards(3)

    def go(minute: float, unit: Unit, position: int) -> Any:
        plant.do(start_pass, minute, unit=unit, station=plant.insertion, position=(position, position))
        return plant.do(finish_pass, minute + 1, unit=unit)

    go(4, first, 0)
    approve(line, 6, first)
    feeds = {"R1": plant.slot_r, "R2": plant.slot_r, "C1": plant.slot_c}
    told = {"station": plant.insertion, "assembly": plant.board, "feeds": feeds}
    plant.do(start_setup, 20, key="SETUP-2", position=100, **told)
    there = {"unit": second, "station": plant.insertion}
    refusal = refused(plant, "count-behind", start_pass, 21, position=(40, 40), **there)
    assert refusal.message == "Set-up SETUP-2 began at count 100, and 40 lies before that."
    go(10, late, 7)  # what comes late is judged as it was then
    go(22, second, 100)
    assert Pass.objects.filter(outcome="passed").count() == 3
