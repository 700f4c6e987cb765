"""Feeds, set-ups and tapes."""

import pytest

from tests.factories import Plant, approve_substitute, make_part, make_station, spans_of, ticks
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.engineering.operations import import_placements
from trace.engineering.queries import list_insertion_order
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.holds.operations import place_holds
from trace.material.models import SetUp
from trace.material.operations.setups import define_feed, finish_tape, start_tape

pytestmark = pytest.mark.django_db


def test_a_feed_opens_with_unknown() -> None:
    plant = Plant()
    feed = plant.do(define_feed, key="slot-9", station=plant.insertion)
    assert (feed.key, spans_of(feed)) == ("SLOT-9", [(0, OPEN, None)])
    assert feed.axis == plant.slot_r.axis
    refused(plant, "key-in-use", define_feed, key="SLOT-9", station=plant.insertion)


def test_a_changeover_ends_the_set_up_before_and_leaves_what_is_loaded() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    loaded = spans_of(plant.slot_r)
    after = plant.do(
        start_setup, 9, key="S2", station=plant.insertion, assembly=plant.board, feeds={"R1": plant.slot_r}
    )
    assert list(SetUp.objects.order_by("first").values_list("key", "first", "end")) == [
        ("SETUP", 0, ticks(9)),
        ("S2", ticks(9), OPEN),
    ]
    assert spans_of(plant.slot_r) == loaded
    assert list(after.lines.values_list("designator", "feed", "link")) == [("R1", plant.slot_r.pk, None)]


def test_a_set_up_is_refused() -> None:
    plant = Plant()
    elsewhere = plant.do(define_feed, key="ELSE", station=plant.test)
    counting = make_station("CYCLES", counts_cycles=True)
    cycle_feed = plant.do(define_feed, key="CF", station=counting)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    good = {"key": "S2", "station": plant.insertion, "assembly": plant.board, "feeds": {"R1": plant.slot_r}}
    for code, wrong in (
        ("key-in-use", {"key": "SETUP"}),
        ("setup-refused", {"feeds": {"R1": elsewhere}}),
        ("setup-refused", {"feeds": {"R9": plant.slot_r}}),
        ("wrong-part", {"feeds": {"C1": plant.slot_r}}),
        ("setup-refused", {"station": counting, "feeds": {"R1": cycle_feed}}),
    ):
        refused(plant, code, start_setup, **{**good, **wrong})
    plant.do(place_holds, 2, targets=[plant.insertion], reason="broken")
    refused(plant, "held", start_setup, **good)


def test_only_the_part_designed_in_or_a_substitute_is_loaded() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", make_part("RES-B"))
    refused(plant, "wrong-part", load_feed, feed=plant.slot_r, container=reel)
    approve_substitute(plant.board, "R1", reel.part)
    plant.do(load_feed, 50, feed=plant.slot_r, container=reel)


TAPE = {"key": "T1", "sequence": ["R1", "C1", "R2"], "heads": {"A": (4, ["R1", "R2"]), "B": (9, ["C1"])}}


def test_a_tape_has_a_head_for_each_designator_once() -> None:
    plant = Plant()
    tape = plant.do(start_tape, 5, **TAPE, assembly=plant.board, board_sets=20)
    setup = SetUp.objects.get(axis__tape=tape)
    assert (tape.links, tape.built_from, tape.built_until) == (3, ticks(5), OPEN)
    assert set(setup.lines.values_list("designator", "link", "feed__key", "feed__distance")) == {
        ("R1", 0, "T1-A", 4),
        ("C1", 1, "T1-B", 9),
        ("R2", 2, "T1-A", 4),
    }
    tape = plant.do(finish_tape, 8, tape=tape, board_sets=19)
    assert (tape.board_sets, tape.built_until) == (19, ticks(8))


def test_a_tape_is_sequenced_by_the_placement_file() -> None:
    plant = Plant()
    content = "Ref,X,Y,Rot,Side\nR2,1,1,0,top\nFID1,0,0,0,top\nC1,2,2,0,top\nR1,3,3,0,top\n"
    plant.do(import_placements, assembly=plant.board, content=content)
    sequence = list_insertion_order(plant.board)
    tape = plant.do(start_tape, 5, **{**TAPE, "sequence": sequence}, assembly=plant.board, board_sets=20)
    links = SetUp.objects.get(axis__tape=tape).lines.order_by("link")
    assert list(links.values_list("designator", flat=True)) == sequence == ["R2", "C1", "R1"]


def test_a_tape_is_refused() -> None:
    plant = Plant()
    good = {**TAPE, "assembly": plant.board, "board_sets": 20}
    for code, wrong in (
        ("setup-refused", {"heads": {"A": (0, ["R1", "R2"])}}),
        ("setup-refused", {"heads": {"A": (0, ["R1", "R2"]), "B": (0, ["C1", "R1"])}}),
        ("setup-refused", {"sequence": ["R1", "C1", "R2", "R2"]}),
        ("setup-refused", {"sequence": [], "heads": {}}),
        ("setup-refused", {"sequence": ["R9"], "heads": {"A": (0, ["R9"])}}),
        ("setup-refused", {"board_sets": 0}),
        ("bad-key", {"key": "T" * 39}),
        ("bad-key", {"key": "T 1"}),
    ):
        refused(plant, code, start_tape, **{**good, **wrong})
    tape = plant.do(start_tape, 5, **good)
    refused(plant, "key-in-use", start_tape, **good)
    refused(plant, "setup-refused", finish_tape, 4, tape=tape, board_sets=20)
    refused(plant, "setup-refused", finish_tape, tape=tape, board_sets=0)
    plant.do(finish_tape, 8, tape=tape, board_sets=20)
    refused(plant, "setup-refused", finish_tape, tape=tape, board_sets=20)
