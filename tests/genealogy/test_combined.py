"""Suspicions combined: what meets all, less what is excepted."""

from __future__ import annotations

import pytest

from tests.factories import Plant, ticks
from tests.genealogy.asking import NONE, Answer, board_at, fit, load, split, suspect
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode
from trace.floor.operations.feeds import find_on_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.passes import record_passes
from trace.genealogy.combined import trace_combined
from trace.genealogy.forward import Population
from trace.genealogy.paths import trace_paths
from trace.genealogy.stock import list_shared_stock
from trace.genealogy.suspicion import Suspicion, Window

pytestmark = pytest.mark.django_db


def at_test(plant: Plant, since: float, until: float) -> Suspicion:
    return Suspicion.of(windows=[Window(plant.test.pk, ticks(since), ticks(until))])


def stock_of(population: Population) -> dict[str, bool]:
    items = list_shared_stock([one.evidence for one in population.parts], population.excepted)
    return {item.key: item.wholly for item in items}


def asked(required: list[Suspicion], excepted: list[Suspicion] | None = None, at: int = OPEN) -> Answer:
    return split(trace_combined(required, excepted or [], at))


def test_what_meets_all_surely_is_certain_and_the_less_sure_counts(plant: Plant) -> None:
    load(plant, "A", 1)
    old = load(plant, "B", 20)
    plant.do(find_on_feed, 40, feed=plant.slot_r, container=plant.reel("C"))
    of_a, of_b, blurred = board_at(plant, 5, 6), board_at(plant, 19, 21), board_at(plant, 30, 31)
    assert old.key == "B"
    assert asked([suspect("A"), suspect("B")]) == (NONE, {of_b.key, blurred.key}, NONE), "A may have hung there again"
    window = at_test(plant, 6, 7)
    assert asked([suspect("A"), window]) == ({of_a.key}, NONE, NONE)
    assert asked([suspect("B"), at_test(plant, 0, 99)]) == (NONE, {of_b.key, blurred.key}, NONE)
    assert asked([at_test(plant, 0, 99), suspect("B")]) == (NONE, {of_b.key, blurred.key}, NONE)


def test_what_is_in_a_unit_meets_what_is_said_of_that(plant: Plant) -> None:
    """A lot is on the board, the product passed the final station: the product has both, by the board in it."""
    load(plant, "A", 1)
    board, other = board_at(plant, 5, 6), board_at(plant, 7, 8)
    product, _ = plant.products(2)
    fit(plant, product, board, 10)
    plant.run(product, plant.final, 11, 12)
    final = Suspicion.of(windows=[Window(plant.final.pk, ticks(10), ticks(20))])
    assert asked([suspect("A")])[0] == {board.key, other.key, product.key}
    assert asked([suspect("A"), final]) == asked([final, suspect("A")]) == ({board.key, product.key}, NONE, NONE)


def test_cleared_stays_cleared(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 5, 6)
    for designator in ("R1", "R2"):
        plant.do(fit_part, 10, unit=board, designator=designator, container=plant.reel(), reason="worn")
    assert asked([suspect("A"), at_test(plant, 0, 99)]) == (NONE, NONE, {board.key})
    assert asked([suspect("A")], [at_test(plant, 8, 99)]) == (NONE, NONE, {board.key})
    assert asked([suspect("A")], [at_test(plant, 0, 99)]) == (NONE, NONE, NONE)


def test_what_is_surely_excepted_is_out_and_what_may_be_is_possible() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    load(plant, "A", 1)
    (sure, perhaps), (left,) = plant.boards(2, minute=2), plant.boards(1, minute=20)
    for minute, board in ((5, sure), (9, perhaps), (30, left)):
        plant.do(record_passes, minute, units=[board], station=plant.insertion)
        plant.run(board, plant.test, minute + 2, minute + 3)
    good = Suspicion.of(windows=[Window(plant.insertion.pk, ticks(1), ticks(8))])
    population = trace_combined([suspect("A")], [good])
    assert split(population) == ({left.key}, {perhaps.key}, NONE)
    (carrier,) = population.of(population.carriers[-1].sureness)
    assert (carrier.key, carrier.reasons) == (perhaps.key, ("excepted",))


def test_a_parent_goes_with_the_child_that_is_excepted_and_stays_for_another(plant: Plant) -> None:
    load(plant, "A", 1)
    first, second = board_at(plant, 5, 6), board_at(plant, 7, 8)
    one, two = plant.products(2)
    fit(plant, one, first, 10)
    fit(plant, two, second, 10)
    reworked = Suspicion(units=frozenset([first.pk]))
    assert asked([suspect("A")], [reworked]) == ({second.key, two.key}, NONE, NONE)
    whole = Suspicion(units=frozenset([one.pk]))
    assert asked([suspect("A")], [whole]) == ({second.key, two.key}, NONE, NONE), "and what is in it"
    plant.do(remove_part, 20, unit=one, designator="M1", reason="noisy")
    assert asked([suspect("A")], [whole]) == ({first.key, second.key, two.key}, NONE, NONE), "it is out again"
    assert asked([suspect("A")], [reworked]) == ({second.key, two.key}, NONE, NONE)


def test_a_reel_excepted_from_its_lot_leaves_units_with_another_reel_of_it(plant: Plant) -> None:
    load(plant, "A1", 1, lot="L")
    load(plant, "A2", 20, lot="L")
    first, second = board_at(plant, 5, 6), board_at(plant, 25, 26)
    mended = board_at(plant, 7, 8)
    blurred = board_at(plant, 19, 21)
    plant.do(fit_part, 30, unit=mended, designator="R1", container=plant.reel("A3", lot="L"), reason="worn")
    every = {first.key, second.key, mended.key, blurred.key}
    assert asked([suspect("L")]) == (every, NONE, NONE)
    population = trace_combined([suspect("L")], [suspect("A1")])
    assert split(population) == ({second.key, mended.key}, {blurred.key}, NONE)
    assert stock_of(population) == {"A2": True, "A3": True}
    assert asked([suspect("A1")], [suspect("L")]) == (NONE, NONE, NONE)


def test_another_lot_excepted_takes_out_the_units_that_have_it(plant: Plant) -> None:
    load(plant, "A", 1)
    (both, alone) = board_at(plant, 5, 6), board_at(plant, 7, 8)
    plant.do(fit_part, 30, unit=both, designator="C1", container=plant.reel("GOOD", plant.capacitor), reason="worn")
    assert asked([suspect("A")], [suspect("GOOD")]) == ({alone.key}, NONE, NONE)


def test_stock_is_what_each_names_less_what_is_wholly_excepted(plant: Plant) -> None:
    plant.reel("A", lot="L"), plant.reel("B", lot="L"), plant.reel("C")
    population = trace_combined([suspect("L", "C"), suspect("A", "C")])
    assert stock_of(population) == {"A": True, "C": True}
    population = trace_combined([suspect("L", "C"), suspect("A", "C")], [suspect("C")])
    assert stock_of(population) == {"A": True}
    assert stock_of(trace_combined([suspect("L"), at_test(plant, 0, 99)])) == {}


def test_paths_say_each_way_in(plant: Plant) -> None:
    load(plant, "A", 1)
    board = board_at(plant, 5, 6)
    population = trace_combined([suspect("A"), at_test(plant, 0, 99)])
    paths = [str(path) for path in trace_paths(board, population)]
    assert paths == [
        f"LOT-A in → A on → SLOT-R drawn at INSERT between 2026-03-02 06:05 UTC and 2026-03-02 06:06 UTC into → "
        f"{board.key} at R1",
        f"LOT-A in → A on → SLOT-R drawn at INSERT between 2026-03-02 06:05 UTC and 2026-03-02 06:06 UTC into → "
        f"{board.key} at R2",
        f"TEST had, from 2026-03-02 06:06 UTC: → {board.key}",
    ]
