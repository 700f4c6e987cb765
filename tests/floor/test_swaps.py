"""A child swapped for another: both moves or neither, and where the one that comes out goes."""

from __future__ import annotations

import pytest

from tests.factories import Plant, ticks
from tests.refusals import refused
from trace.floor.models import Fitting
from trace.floor.operations.fittings import fit_child, remove_part
from trace.floor.operations.swaps import swap_child
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


def test_the_old_child_comes_out_and_the_new_goes_in() -> None:
    plant = Plant()
    (old, new), (product,) = plant.boards(2), plant.products()
    plant.finish(old, 1)
    plant.finish(new, 1)
    plant.do(fit_child, 5, unit=product, designator="M1", child=old)
    swapped = plant.do(
        swap_child, 9, unit=product, designator="M1", child=new, reason="no picture", goes_to="RW1, shelf 2"
    )
    rows = Fitting.objects.filter(unit=product).order_by("pk")
    assert [(row.holds, row.child, row.since, row.until, row.goes_to) for row in rows] == [
        ("child", old, ticks(5), ticks(9), ""),
        ("nothing", None, ticks(9), ticks(9), "RW1, shelf 2"),
        ("child", new, ticks(9), None, ""),
    ]
    assert swapped == rows[2]


def test_a_swap_is_refused_as_a_whole() -> None:
    plant = Plant()
    (old, new, unfinished, held), (product, empty, other) = plant.boards(4), plant.products(3)
    for board in (old, new, held):
        plant.finish(board, 1)
    plant.do(fit_child, 5, unit=product, designator="M1", child=old)
    plant.do(place_holds, 6, targets=[held], reason="a crack")
    good = {"unit": product, "designator": "M1", "child": new, "reason": "no picture", "goes_to": "RW1"}
    for code, wrong, says in (
        ("fitting-refused", {"goes_to": " "}, "Say where"),
        ("fitting-refused", {"reason": ""}, "Say why"),
        ("fitting-refused", {"child": old}, f"{old.key} is what M1"),
        ("fitting-refused", {"child": unfinished}, "not finished"),
        ("fitting-refused", {"unit": empty}, "is empty on record"),
        ("fitting-refused", {"designator": "M9"}, "no designator M9"),
        ("wrong-part", {"child": other}, "does not belong"),
        ("held", {"child": held}, "a crack"),
    ):
        assert says in refused(plant, code, swap_child, 9, **{**good, **wrong}).message
        assert Fitting.objects.get(unit=product).until is None, wrong
    plant.do(place_holds, 10, targets=[old], reason="a leak")
    refused(plant, "held", swap_child, 11, **good)
    assert Fitting.objects.get(unit=product).until is None


def test_where_a_removed_child_goes_is_kept() -> None:
    plant = Plant()
    (board,), (product,) = plant.boards(), plant.products()
    plant.do(fit_child, 5, unit=product, designator="M1", child=plant.finish(board, 1))
    removed = plant.do(remove_part, 9, unit=product, designator="M1", reason="a leak", goes_to=" scrap cage ")
    assert removed.goes_to == "scrap cage"
