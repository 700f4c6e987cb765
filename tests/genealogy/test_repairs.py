"""Hand-drawn graphs of what is changed later: repairs, children moved, parts salvaged."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.factories import Plant
from tests.genealogy.asking import NONE, ask, board_at, fit, load, lots_of
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import find_on_feed, load_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.floor.operations.stores import merge_containers, split_container
from trace.material.models import Container
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def repair(plant: Plant, unit: Unit, designator: str, minute: float, key: str) -> Container:
    reel = plant.reel(key, lot=f"LOT-{key}")
    plant.do(fit_part, minute, unit=unit, designator=designator, container=reel, reason="cracked")
    return reel


def test_a_repair_clears_what_it_replaces_and_rewrites_nothing(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    repair(plant, board, "R1", 4, "SPARE")
    assert ask("LOT-A") == ({board.key}, NONE, NONE)
    repair(plant, board, "R2", 5, "SPARE-2")
    assert ask("LOT-A") == (NONE, NONE, {board.key})
    assert ask("LOT-SPARE") == ({board.key}, NONE, NONE)
    assert lots_of(board)["R1"] == {"LOT-SPARE"}
    assert lots_of(board, standing=False)["R1"] == {"LOT-A", "LOT-SPARE"}
    assert ask("LOT-A", minute=4.5) == ({board.key}, NONE, NONE)


def test_a_child_moved_out_of_a_scrapped_unit_marks_the_new_parent_and_clears_the_old(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    old, new = plant.products(2)
    fit(plant, old, board, 4)
    assert ask("LOT-A") == ({board.key, old.key}, NONE, NONE)
    plant.do(scrap_unit, 5, unit=old, reason="housing broken")
    plant.do(remove_part, 6, unit=old, designator="M1", reason="kept")
    fit(plant, new, board, 7)
    assert ask("LOT-A") == ({board.key, new.key}, NONE, {old.key})
    assert ask("LOT-A", minute=4.5) == ({board.key, old.key}, NONE, NONE)


def test_a_child_repaired_before_marriage_never_marks_the_parent(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    for minute, designator in enumerate(("R1", "R2"), 4):
        repair(plant, board, designator, minute, f"SPARE-{designator}")
    (product,) = plant.products()
    fit(plant, product, board, 8)
    assert ask("LOT-A") == (NONE, NONE, {board.key})
    assert ask("LOT-SPARE-R1") == ({board.key, product.key}, NONE, NONE)


def test_a_child_repaired_inside_its_parent_clears_both(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    (product,) = plant.products()
    fit(plant, product, board, 4)
    for minute, designator in enumerate(("R1", "R2"), 5):
        repair(plant, board, designator, minute, f"SPARE-{designator}")
    assert ask("LOT-A") == (NONE, NONE, {board.key, product.key})


def test_a_child_repaired_after_it_left_clears_the_parent_it_left(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    (product,) = plant.products()
    fit(plant, product, board, 4)
    plant.do(remove_part, 5, unit=product, designator="M1", reason="noisy")
    repair(plant, board, "R1", 6, "SPARE")
    fit(plant, product, board, 7)
    assert ask("LOT-A") == ({board.key, product.key}, NONE, NONE)
    assert ask("LOT-SPARE") == ({board.key, product.key}, NONE, NONE)


def test_a_part_fitted_before_its_step_stays_while_the_board_is_inside(plant: Plant) -> None:
    load(plant, "A", 1)
    (board,) = plant.boards()
    repair(plant, board, "R1", 2, "EARLY")
    plant.do(start_pass, 3, unit=board, station=plant.insertion)
    assert ask("LOT-EARLY") == (NONE, {board.key}, NONE)


# Salvage -------------------------------------------------------------------------------------------------------------


def salvage(plant: Plant, unit: Unit, designator: str, minute: float, **kept: Any) -> Container:
    plant.do(remove_part, minute, unit=unit, designator=designator, reason="reused", **kept)
    into = kept.get("into")
    return into if isinstance(into, Container) else Container.objects.get(key=kept["salvage"])


def test_salvage_carries_on(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    load(plant, "B", 4)
    other = board_at(plant, 5, 6)
    kept = salvage(plant, board, "R1", 7, salvage="KEPT")
    plant.do(fit_part, 8, unit=other, designator="R1", container=kept, reason="replaced")
    assert ask("LOT-A") == ({board.key, other.key}, NONE, NONE)
    assert lots_of(other)["R1"] == {"LOT-A"}


def test_salvage_of_what_does_not_belong_carries_on(plant: Plant) -> None:
    """Capacitors were found where resistors should hang: one of them was taken out of a board again."""
    load(plant, "A", 1)
    plant.do(find_on_feed, 2, feed=plant.slot_r, container=plant.reel("WRONG", plant.capacitor))
    board = board_at(plant, 3, 4)
    kept = salvage(plant, board, "R1", 5, salvage="KEPT")
    load(plant, "B", 6)
    other = board_at(plant, 7, 8)
    assert ask("WRONG") == ({board.key}, NONE, NONE)
    plant.do(fit_part, 9, unit=other, designator="R1", container=kept, reason="cracked")
    assert ask("WRONG") == ({board.key, other.key}, NONE, NONE)


def test_salvage_of_a_part_that_a_repair_had_fitted_carries_on(plant: Plant) -> None:
    load(plant, "A", 1)
    board, other = board_at(plant, 2, 3), board_at(plant, 2, 3)
    repair(plant, board, "R1", 4, "SPARE")
    kept = salvage(plant, board, "R1", 5, salvage="KEPT")
    plant.do(fit_part, 6, unit=other, designator="R1", container=kept, reason="replaced")
    assert lots_of(other)["R1"] == {"LOT-SPARE"}
    assert ask("LOT-SPARE") == ({other.key}, NONE, {board.key})


def test_salvage_that_may_have_come_before_the_repair_is_not_surely_of_it(plant: Plant) -> None:
    load(plant, "A", 1)
    board, other = board_at(plant, 2, 3), board_at(plant, 2, 3)
    repair(plant, board, "R1", 5, "SPARE")
    kept = salvage(plant, board, "R1", 6, salvage="KEPT", error=timedelta(minutes=2))
    plant.do(fit_part, 9, unit=other, designator="R1", container=kept, reason="replaced")
    assert ask("LOT-SPARE") == (NONE, {other.key}, {board.key})


def test_salvage_into_a_clean_container_is_not_wholly_suspect(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    load(plant, "B", 4)
    other = board_at(plant, 5, 6)
    kept = salvage(plant, board, "R1", 7, into=plant.reel("CLEAN"))
    plant.do(fit_part, 8, unit=other, designator="R1", container=kept, reason="replaced")
    assert ask("LOT-A") == ({board.key}, {other.key}, NONE)


@pytest.mark.parametrize("order", [("bad", "good"), ("good", "bad")])
def test_salvage_of_good_and_bad_in_one_container_is_mixed(plant: Plant, order: tuple[str, str]) -> None:
    load(plant, "A", 1)
    bad = board_at(plant, 2, 3)
    load(plant, "B", 4)
    good, other = board_at(plant, 5, 6), board_at(plant, 5, 6)
    boards = {"bad": bad, "good": good}
    kept = salvage(plant, boards[order[0]], "R1", 7, salvage="KEPT")
    salvage(plant, boards[order[1]], "R1", 8, into=kept)
    plant.do(fit_part, 9, unit=other, designator="R1", container=kept, reason="replaced")
    assert ask("LOT-A") == ({bad.key}, {other.key}, NONE)
    assert lots_of(other)["R1"] == {"LOT-A", "LOT-B"}


def test_good_salvage_makes_a_suspect_container_mixed(plant: Plant) -> None:
    root = load(plant, "A", 1)
    part = plant.do(split_container, 1.5, source=root, key="PART")
    load(plant, "B", 4)
    good, other = board_at(plant, 5, 6), board_at(plant, 5, 6)
    salvage(plant, good, "R1", 7, into=part)
    plant.do(fit_part, 8, unit=other, designator="R1", container=part, reason="replaced")
    assert ask("LOT-A") == (NONE, {other.key}, NONE)


def test_salvage_counts_from_its_own_moment_even_when_the_container_turns_bad_later(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 2, 3)
    load(plant, "B", 4)
    other = board_at(plant, 5, 6)
    into = plant.reel("INTO")
    salvage(plant, board, "R1", 7, into=into)
    plant.do(fit_part, 8, unit=other, designator="R1", container=into, reason="replaced")
    plant.do(merge_containers, 9, sources=[Container.objects.get(key="A")], into=into)
    assert ask("LOT-A") == ({board.key}, {other.key}, NONE)


def test_salvage_of_salvage_is_as_sure_as_its_source(plant: Plant) -> None:
    """What is known of the first is known only after the second was first looked at."""
    load(plant, "A", 1)
    one, two, three = (board_at(plant, 2, 3) for _ in range(3))
    kept = salvage(plant, one, "R1", 5, salvage="KEPT-1")
    plant.do(fit_part, 6, unit=two, designator="R1", container=kept, reason="replaced")
    again = salvage(plant, two, "R1", 7, salvage="KEPT-2")
    for designator in ("R1", "R2"):
        plant.do(fit_part, 8, unit=three, designator=designator, container=again, reason="replaced")
    assert ask("LOT-A") == ({one.key, two.key, three.key}, NONE, NONE)
    assert lots_of(three)["R2"] == {"LOT-A"}


def test_salvage_of_what_nobody_recorded_is_unknown(plant: Plant) -> None:
    load(plant, "A", 1)
    one, two = plant.boards(2)
    visit = plant.run(one, plant.insertion, 2, 3)
    kept = salvage(plant, one, "R1", 4, salvage="KEPT")
    plant.do(void_pass, 5, entry=visit, reason="wrong traveller scanned")
    plant.do(fit_part, 6, unit=two, designator="R1", container=kept, reason="replaced")
    assert lots_of(two)["R1"] == {None}


def test_a_place_that_a_later_step_fills_again_holds_what_came_last() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("FIRST", plant.capacitor))
    bench = plant.do(define_feed, 1, key="BENCH", station=plant.test)
    plant.do(load_feed, 1, feed=bench, container=plant.reel("SECOND", plant.capacitor))
    plant.do(start_setup, 1, key="BENCH-1", station=plant.test, assembly=plant.board, feeds={"C1": bench})
    board = board_at(plant, 5, 6)
    assert ask("LOT-FIRST") == (NONE, NONE, {board.key})
    assert ask("LOT-SECOND") == ({board.key}, NONE, NONE)
    assert lots_of(board)["C1"] == {"LOT-SECOND"}


def test_a_set_up_found_out_late_fills_again_what_passed_there() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("FIRST", plant.capacitor))
    bench = plant.do(define_feed, 1, key="BENCH", station=plant.test)
    plant.do(load_feed, 1, feed=bench, container=plant.reel("SECOND", plant.capacitor))
    other = plant.do(define_feed, 1, key="OTHER", station=plant.test)
    plant.do(start_setup, 1, key="BENCH-1", station=plant.test, assembly=plant.board, feeds={"R1": other})
    board = board_at(plant, 5, 6)
    plant.do(start_setup, 3, key="BENCH-2", station=plant.test, assembly=plant.board, feeds={"C1": bench})
    assert ask("LOT-FIRST") == (NONE, NONE, {board.key})


def test_a_part_by_hand_from_a_feed_that_serves_other_places_is_kept_and_fitted_again(plant: Plant) -> None:
    plant.reel("CB-BAD", lot="BAD")
    product, other = plant.products(2)
    plant.do(fit_part, 5, unit=product, designator="F1", feed=plant.slot_r, reason="taken from the machine")
    plant.do(remove_part, 6, unit=product, designator="F1", reason="reused", salvage="KEPT")
    kept = Container.objects.get(key="KEPT")
    plant.do(fit_part, 7, unit=other, designator="F1", container=kept, reason="as designed")
    assert ask("BAD") == (NONE, {other.key}, {product.key})
