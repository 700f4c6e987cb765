"""Where suspect material itself was, as of several moments: in stock, on a feed, perhaps, on a tape."""

from __future__ import annotations

import pytest

from tests.factories import Plant, make_station, moment, spans_of, ticks
from tests.genealogy.asking import NONE, ask
from trace.core.clock import OPEN
from trace.floor.operations.feeds import (
    fill_by_hand,
    find_on_feed,
    load_feed,
    splice_feed,
    take_off_feed,
    top_up_feed,
)
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.passes import record_passes
from trace.genealogy.forward import trace_forward
from trace.genealogy.stock import list_stock, where_is
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Container, Feed, SetUp, Tape
from trace.material.operations.setups import define_feed, finish_tape, start_tape

pytestmark = pytest.mark.django_db


def stock_of(container: Container, minute: float | None = None) -> dict[str, str]:
    """{key: where} of the suspect stock of a container's lot, as of a minute or now."""
    at = OPEN if minute is None else ticks(minute)
    population = trace_forward(Suspicion.of(lots=[container.lot]), at)
    return {item.key: item.where for item in list_stock(population.evidence, at)}


def begin_tape(plant: Plant, minute: float = 1) -> Feed:
    """A tape of 50 board sets; its head for R1 and R2."""
    plant.do(
        start_tape,
        minute,
        key="T1",
        assembly=plant.board,
        sequence=["R1", "R2", "C1"],
        heads={"R": (0, ["R1", "R2"]), "C": (0, ["C1"])},
        board_sets=50,
    )
    return Feed.objects.get(key="T1-R")


# On feeds ------------------------------------------------------------------------------------------------------------


def test_a_reel_is_in_stock_on_its_feed_and_used_up(plant: Plant) -> None:
    reel, following = plant.reel("A", minute=2), plant.reel("B")
    plant.do(load_feed, 10, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 20, feed=plant.slot_r, container=following)
    assert stock_of(reel, 1) == {}
    assert stock_of(reel, 5) == {"A": "in stock"}
    assert stock_of(reel, 10) == stock_of(reel, 15) == {"A": "on feed SLOT-R"}
    assert stock_of(reel, 20) == stock_of(reel) == {}


def test_a_change_found_late_is_perhaps_there_until_it_was_seen(plant: Plant) -> None:
    old, new = plant.reel("A"), plant.reel("B")
    plant.do(load_feed, 10, feed=plant.slot_r, container=old)
    plant.do(find_on_feed, 15, feed=plant.slot_r, container=old)
    plant.do(find_on_feed, 30, feed=plant.slot_r, container=new)
    assert stock_of(new, 12) == {"B": "in stock"}
    assert stock_of(old, 12) == {"A": "on feed SLOT-R"}
    assert stock_of(new, 20) == {"B": "perhaps on feed SLOT-R"}
    assert stock_of(old, 20) == {"A": "perhaps on feed SLOT-R"}
    assert stock_of(new, 30) == {"B": "on feed SLOT-R"}
    assert stock_of(old, 30) == {"A": "in stock"}, "it counts as taken off"


def test_a_splice_hangs_there_before_its_first_part_is_drawn(plant: Plant) -> None:
    old, new = plant.reel("A"), plant.reel("B")
    plant.do(load_feed, 10, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 20, feed=plant.slot_r, container=new, lead=3, tolerance=1)
    assert stock_of(new, 19) == {"B": "in stock"}
    assert stock_of(new, 25) == stock_of(new) == {"B": "on feed SLOT-R"}
    assert stock_of(old, 25) == {"A": "on feed SLOT-R"}
    for minute, board in enumerate(plant.boards(3, minute=11), 30):
        plant.run(board, plant.insertion, minute, minute + 0.5)
    assert stock_of(old, 25) == {"A": "on feed SLOT-R"}  # no part of the lead was drawn by then
    assert stock_of(old, 31) == {"A": "perhaps on feed SLOT-R"}
    assert stock_of(old, 40) == {}


def test_where_positions_are_no_moments_a_load_within_a_range_is_on_the_feed_from_its_scan() -> None:
    plant = Plant(counts_cycles=True)
    first, second = plant.reel("A"), plant.reel("B")
    plant.do(load_feed, 10, feed=plant.slot_r, container=first, position=(0, 3))
    plant.do(load_feed, 20, feed=plant.slot_r, container=second, position=(50, 60))
    assert stock_of(first, 5) == {"A": "in stock"}
    assert stock_of(first, 15) == {"A": "on feed SLOT-R"}
    assert stock_of(second, 15) == {"B": "in stock"}
    assert stock_of(second, 20) == {"B": "on feed SLOT-R"}


def test_what_a_splice_displaced_on_a_counted_axis_is_gone_once_its_end_was_passed() -> None:
    plant = Plant(counts_cycles=True)
    old, new = plant.reel("A"), plant.reel("B")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old, position=(0, 0))
    plant.do(splice_feed, 20, feed=plant.slot_r, container=new, lead=2, tolerance=1, position=(5, 5))
    for number, board in enumerate(plant.boards(3, minute=2)):
        plant.run(board, plant.insertion, 30 + number, 30.5 + number, position=(7 + number, 7 + number))
    assert (0, 9, "A") in spans_of(plant.slot_r)
    assert stock_of(old, 10) == {"A": "on feed SLOT-R"}
    assert stock_of(old, 25) == stock_of(old, 31.2) == {"A": "perhaps on feed SLOT-R"}
    assert stock_of(old, 31.6) == stock_of(old) == {}


def test_what_is_poured_leaves_its_rest_in_stock(plant: Plant) -> None:
    plant.do(load_feed, 5, feed=plant.slot_r, container=plant.reel("OLD"))
    bag = plant.reel("BAG")
    plant.do(top_up_feed, 10, feed=plant.slot_r, container=bag)
    assert stock_of(bag, 9) == {"BAG": "in stock"}
    assert stock_of(bag, 11) == {"BAG": "poured into feed SLOT-R and the rest in stock"}


def test_where_is_says_why_a_container_is_nowhere(plant: Plant) -> None:
    reel = plant.reel("A", minute=5)
    evidence = trace_forward(Suspicion.of(containers=[reel]), ticks(1)).evidence
    assert where_is(reel, evidence, ticks(1)) == "not in the plant yet"


# On tapes ------------------------------------------------------------------------------------------------------------


def test_a_board_set_is_on_the_tape_only_from_when_it_was_built() -> None:
    plant = Plant()
    head = begin_tape(plant)
    a, b = plant.reel("A"), plant.reel("B")
    plant.do(load_feed, 5, feed=head, container=a, position=(0, 0))
    plant.do(load_feed, 15, feed=head, container=b, position=(30, 30))
    plant.do(finish_tape, 25, tape=Tape.objects.get(), board_sets=45)
    assert stock_of(a, 3) == {"A": "in stock"}
    assert stock_of(a, 10) == {"A": "on feed T1-R", "T1": "perhaps board sets 0–29"}
    assert stock_of(a, 16) == {"T1": "board sets 0–29"}
    assert stock_of(b, 14) == {"B": "in stock"}
    assert stock_of(b, 20) == {"B": "on feed T1-R", "T1": "perhaps board sets 30–44"}
    assert stock_of(b, 25)["T1"] == stock_of(b)["T1"] == "board sets 30–44"
    left = {item.key: item.sets_left for item in list_stock(trace_forward(Suspicion.of(lots=[b.lot])).evidence)}
    assert left["T1"] == "at most 15 sets left" and not any(words for key, words in left.items() if key != "T1")


def test_a_sighting_says_how_far_a_tape_was_built() -> None:
    plant = Plant()
    head = begin_tape(plant)
    reel = plant.reel("A")
    plant.do(load_feed, 5, feed=head, container=reel, position=(0, 0))
    plant.do(find_on_feed, 10, feed=head, container=reel, position=(20, 22))
    assert stock_of(reel, 7)["T1"] == "perhaps board sets 0–21"
    assert stock_of(reel, 12)["T1"] == "board sets 0–19, perhaps 20–49"


def test_a_drawn_board_set_is_gone_and_proves_those_before_it_built() -> None:
    plant = Plant()
    head = begin_tape(plant)
    reel = plant.reel("A")
    plant.do(load_feed, 5, feed=head, container=reel, position=(0, 0))
    setup = SetUp.objects.get(key="T1-SETUP")
    sure, ranged, inside = plant.boards(3, minute=6)
    for unit, minute, position in ((sure, 10, (3, 3)), (ranged, 20, (1, 2)), (inside, 30, (4, 4))):
        told = {"units": [unit], "station": plant.insertion, "entered": moment(minute), "positions": [position]}
        plant.do(record_passes, minute + 1, setup=setup, **told)
    assert stock_of(reel, 10.5)["T1"] == "perhaps board sets 0–49"
    assert stock_of(reel, 15)["T1"] == "board sets 0–2, perhaps 4–49"
    # Which of two was drawn is not known: one of them is still there.
    assert stock_of(reel, 25)["T1"] == "board sets 0, perhaps 1–2, 4–49"
    assert stock_of(reel, 30.5)["T1"] == "board sets 0, perhaps 1–2, 4–49"
    assert stock_of(reel, 35)["T1"] == "board sets 0, perhaps 1–2, 5–49"


def test_a_place_filled_by_hand_is_there_from_then_and_its_container_stays_in_stock() -> None:
    plant = Plant()
    head = begin_tape(plant)
    reel, box = plant.reel("A"), plant.reel("BOX")
    plant.do(load_feed, 5, feed=head, container=reel, position=(0, 0))
    plant.do(fill_by_hand, 12, feed=head, container=box, board_set=7)
    plant.do(take_off_feed, 20, feed=head, position=(40, 40))
    plant.do(finish_tape, 21, tape=Tape.objects.get(), board_sets=40)
    assert stock_of(box, 11) == {"BOX": "in stock"}
    assert stock_of(box, 21) == {"BOX": "in stock", "T1": "board sets 7"}


def test_what_a_bin_without_a_set_up_gave_may_be_any_container_of_the_part(plant: Plant) -> None:
    """Nobody said what lies in it; a part of it was fitted by hand."""
    bin_ = plant.do(define_feed, key="BENCH-BIN", station=make_station("BENCH"), kind=Feed.Kind.BIN)
    fuses = plant.reel("FUSES", plant.fuse)
    product, other = plant.products(2)
    plant.do(fit_part, 5, unit=product, designator="F1", feed=bin_, reason="as designed")
    plant.do(load_feed, 6, feed=bin_, container=plant.reel("MORE", plant.fuse))
    plant.do(fit_part, 7, unit=other, designator="F1", feed=bin_, reason="as designed")
    assert ask(fuses.key) == (NONE, {product.key}, NONE)


def test_what_came_off_a_bin_without_a_set_up_may_be_any_container_of_the_part(plant: Plant) -> None:
    bin_ = plant.do(define_feed, key="BENCH-BIN", station=make_station("BENCH"), kind=Feed.Kind.BIN)
    fuses, kept = plant.reel("FUSES", plant.fuse), plant.reel("KEPT", plant.fuse)
    plant.do(take_off_feed, 5, feed=bin_, into=kept)
    (product,) = plant.products()
    plant.do(fit_part, 6, unit=product, designator="F1", container=kept, reason="as designed")
    assert ask(fuses.key) == (NONE, {product.key}, NONE)
