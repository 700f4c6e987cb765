"""Hand-drawn graphs with a child that was found elsewhere than recorded."""

from __future__ import annotations

import pytest

from tests.factories import Plant, ticks
from tests.genealogy.asking import NONE, ask, board_at, fit, load, reasons, suspect
from trace.floor.models import Unit
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.findings import find_child, find_empty, find_loose
from trace.floor.operations.fittings import remove_part
from trace.floor.operations.orders import scrap_unit
from trace.genealogy.backward import trace_backward
from trace.genealogy.forward import trace_forward
from trace.genealogy.paths import trace_paths

pytestmark = pytest.mark.django_db


class Swap:
    """C carries LOT-A, D and E carry LOT-B; C was fitted in A at 10, D in B at 11; E is on the shelf."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        load(plant, "A", 1)
        self.c = board_at(plant, 2, 3)
        load(plant, "B", 4)
        self.d, self.e = board_at(plant, 5, 6), board_at(plant, 7, 8)
        self.a, self.b = plant.products(2)
        fit(plant, self.a, self.c, 10)
        fit(plant, self.b, self.d, 11)

    def find(self, unit: Unit, child: Unit, minute: float) -> None:
        self.plant.do(find_child, minute, unit=unit, designator="M1", child=child)


@pytest.fixture
def swap(plant: Plant) -> Swap:
    return Swap(plant)


def test_the_carrier_found_elsewhere_is_certain_there_and_left_where_it_was(swap: Swap) -> None:
    swap.find(swap.b, swap.c, 20)
    assert ask("LOT-A") == ({swap.c.key, swap.b.key}, NONE, {swap.a.key})
    assert ask("LOT-A", minute=15) == ({swap.c.key}, {swap.a.key, swap.b.key}, NONE)
    assert ask("LOT-A", minute=10) == ({swap.c.key, swap.a.key}, NONE, NONE)


def test_what_is_not_known_may_be_what_is_lost_or_on_the_shelf(swap: Swap) -> None:
    swap.find(swap.b, swap.c, 20)
    assert ask("LOT-B") == ({swap.d.key, swap.e.key}, {swap.a.key}, {swap.b.key})
    assert reasons(swap.a.key, "LOT-B") == ("unrecorded",)
    tops = {top.key: str(top.where) for top in trace_forward(suspect("LOT-B")).tops()}
    assert tops[swap.d.key] == f"not known: on record in {swap.b.key} and not found there"


@pytest.mark.parametrize("proof", ["packed", "scrapped", "fitted", "seen", "inside"])
def test_what_is_proved_elsewhere_is_not_what_is_not_known(swap: Swap, proof: str) -> None:
    plant = swap.plant
    (third,) = plant.products()
    if proof == "packed":
        plant.do(pack_units, 15, carton="BOX", units=[swap.e])
    elif proof == "scrapped":
        plant.do(scrap_unit, 15, unit=swap.e, reason="broken")
    elif proof == "fitted":
        fit(plant, third, swap.e, 15)
    swap.find(swap.b, swap.c, 20)
    if proof == "seen":
        plant.do(find_loose, 21, child=swap.e)
    elif proof == "inside":
        (late,) = plant.boards(minute=22)
        plant.run(late, plant.insertion, 23, 24)
    plant.do(find_loose, 25, child=swap.d)
    certain, possible, _ = ask("LOT-B")
    assert swap.a.key not in certain
    assert (swap.a.key in possible) == (proof == "inside")  # E is still on the shelf, the late board is not it
    assert swap.a.key in ask("LOT-B", minute=20.5)[1]  # D was still lost
    assert (swap.a.key in ask("LOT-B")[2]) == (proof != "inside")


def test_resolved_it_carries_what_its_child_does(swap: Swap) -> None:
    swap.find(swap.b, swap.c, 20)
    swap.find(swap.a, swap.d, 30)
    certain, possible, cleared = ask("LOT-B")
    assert (certain, possible) == ({swap.d.key, swap.e.key, swap.a.key}, NONE)
    assert cleared == {swap.b.key}
    assert ask("LOT-A") == ({swap.c.key, swap.b.key}, NONE, {swap.a.key})


def test_resolved_as_no_carrier_it_is_cleared(swap: Swap) -> None:
    clean = swap.plant.boards()[0]
    load(swap.plant, "CLEAN", 12)
    swap.plant.run(clean, swap.plant.insertion, 13, 14)
    swap.plant.run(clean, swap.plant.test, 14.5, 15)
    swap.find(swap.b, swap.c, 20)
    swap.find(swap.a, clean, 30)
    assert swap.a.key in ask("LOT-B")[2]
    assert swap.a.key in ask("LOT-B", minute=25)[1]
    assert ask("LOT-CLEAN")[0] == {clean.key, swap.a.key}


def test_found_empty_or_removed_nothing_more_may_be_there(swap: Swap) -> None:
    swap.plant.do(find_empty, 20, unit=swap.a, designator="M1")
    assert ask("LOT-A") == ({swap.c.key}, NONE, {swap.a.key})
    assert ask("LOT-A", minute=15) == ({swap.c.key}, {swap.a.key}, NONE)
    swap.plant.do(find_loose, 21, child=swap.d)
    assert swap.b.key in ask("LOT-B")[1]
    swap.plant.do(remove_part, 22, unit=swap.b, designator="M1", reason="label unreadable")
    assert swap.b.key in ask("LOT-B")[2]


def test_backward_says_so(swap: Swap) -> None:
    swap.find(swap.b, swap.c, 20)
    a, b = trace_backward(swap.a), trace_backward(swap.b)
    (m1,) = (place for place in a.places if place.designator == "M1")
    (unknown,) = m1.standing
    assert unknown.kind == "unknown"
    assert unknown.reason == f"{swap.c.key} was on record here, and was found in {swap.b.key} at M1"
    assert (unknown.since, unknown.until) == (ticks(10), ticks(20))
    (gone,) = (entry for entry in m1.entries if not entry.standing)
    assert (gone.child, gone.gone, gone.doubted) == (swap.c.key, ticks(20), ticks(10))
    assert not a.children
    assert [child.key for child in b.children] == [swap.c.key]
    between = trace_backward(swap.a, ticks(15))
    (m1,) = (place for place in between.places if place.designator == "M1")
    assert {(entry.kind, entry.sure) for entry in m1.standing} == {("child", False), ("unknown", False)}


def test_the_path_says_perhaps(swap: Swap) -> None:
    swap.find(swap.b, swap.c, 20)
    paths = [str(path) for path in trace_paths(swap.a, trace_forward(suspect("LOT-B")))]
    assert any(swap.e.key in path and "perhaps, where the child is not known" in path for path in paths)
    assert {path.sureness for path in trace_paths(swap.a, trace_forward(suspect("LOT-B")))} == {"possible"}
    (first, *_) = trace_paths(swap.b, trace_forward(suspect("LOT-A")))
    assert first.sureness == "certain"
