"""Children and parts into designators, and out again."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from tests.factories import Plant, approve_substitute, make_part, ticks
from tests.refusals import refused
from trace.floor.models import Fitting, Salvage
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.feeds import load_feed, top_up_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.holds.operations import place_holds
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db


def test_a_child_goes_in_comes_out_and_goes_into_another() -> None:
    plant = Plant()
    (board,), (first, second) = plant.boards(), plant.products(2)
    plant.finish(board, 1)
    fitted = plant.do(fit_child, 5, unit=first, designator="M1", child=board)
    removed = plant.do(remove_part, 9, unit=first, designator="M1", reason="a fault")
    plant.do(fit_child, 12, unit=second, designator="M1", child=board)
    fitted.refresh_from_db()
    assert (fitted.holds, fitted.child, fitted.since, fitted.until) == ("child", board, ticks(5), ticks(9))
    assert (removed.holds, removed.child, removed.since, removed.until) == ("nothing", None, ticks(9), None)
    assert Fitting.objects.get(child=board, until=None).unit == second


def test_fitting_a_child_is_refused() -> None:
    plant = Plant()
    boards, (product, other) = plant.boards(6), plant.products(2)
    unfinished, inside, scrapped, packed, fitted, good = boards
    for board in (scrapped, packed, fitted, good):
        plant.finish(board, 1)
    plant.do(start_pass, 5, unit=inside, station=plant.insertion)
    plant.do(scrap_unit, 5, unit=scrapped, reason="broken")
    plant.do(pack_units, 5, carton="CT", units=[packed])
    plant.do(fit_child, 5, unit=other, designator="M1", child=fitted)
    arguments = {"unit": product, "designator": "M1", "child": good}
    for code, wrong in (
        ("fitting-refused", {"child": unfinished}),
        ("fitting-refused", {"child": inside}),
        ("fitting-refused", {"child": scrapped}),
        ("fitting-refused", {"child": packed}),
        ("fitting-refused", {"child": fitted}),
        ("fitting-refused", {"designator": "M9"}),
        ("fitting-refused", {"unit": other}),
        ("wrong-part", {"designator": "F1"}),
    ):
        refused(plant, code, fit_child, **{**arguments, **wrong})
    for target in (product, good):
        (hold,) = plant.do(place_holds, 6, targets=[target], reason="a crack")
        refused(plant, "held", fit_child, **arguments)
        hold.permits = ["fit"]
        hold.save()
    plant.do(scrap_unit, 6, unit=other, reason="broken")
    refused(plant, "fitting-refused", fit_child, **{**arguments, "unit": other})
    plant.do(fit_child, 50, **arguments)


def test_a_part_replaces_what_was_drawn_and_rewrites_nothing() -> None:
    plant = Plant()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 5, 6)
    passes = list(board.passes.values())
    first, second = plant.reel("CB-1"), plant.reel("CB-2")
    old = plant.do(fit_part, 8, unit=board, designator="R1", container=first, reason="value drifted")
    plant.do(fit_part, 9, unit=board, designator="R1", container=second, reason="again")
    old.refresh_from_db()
    assert (old.container, old.since, old.until) == (first, ticks(8), ticks(9))
    assert list(board.passes.values()) == passes
    board.refresh_from_db()
    assert board.by_designator


def bin_of(plant: Plant):
    return plant.do(define_feed, key="BIN", station=plant.final, kind="bin")


def test_a_part_comes_from_a_bin_at_its_moment() -> None:
    plant = Plant()
    (board,), feed = plant.boards(), bin_of(plant)
    plant.do(load_feed, 1, feed=feed, container=plant.reel("CB-1"))
    fitting = plant.do(fit_part, 8, unit=board, designator="R1", feed=feed, reason="x")
    assert (fitting.holds, fitting.feed, fitting.first, fitting.last) == ("feed", feed, ticks(8), ticks(8))


def test_fitting_a_part_is_refused() -> None:
    plant = Plant()
    (board, scrapped), feed = plant.boards(2), bin_of(plant)
    reel, gone, old = plant.reel("CB-1"), plant.reel("CB-2"), plant.reel("CB-3", expiry=date(2026, 3, 1))
    plant.do(discard_container, 1, container=gone, reason="x")
    plant.do(scrap_unit, 1, unit=scrapped, reason="x")
    good = {"unit": board, "designator": "R1", "container": reel, "reason": "x"}
    for code, wrong in (
        ("fitting-refused", {"container": None}),
        ("fitting-refused", {"feed": feed}),
        ("fitting-refused", {"reason": " "}),
        ("fitting-refused", {"container": gone}),
        ("fitting-refused", {"designator": "R9"}),
        ("fitting-refused", {"unit": scrapped}),
        ("expired", {"container": old}),
        ("wrong-part", {"designator": "C1"}),
        ("fitting-refused", {"container": None, "feed": feed, "position": (9, 8)}),
    ):
        refused(plant, code, fit_part, **{**good, **wrong})
    for target in (board, reel, reel.lot):
        (hold,) = plant.do(place_holds, 6, targets=[target], reason="a crack")
        refused(plant, "held", fit_part, **good)
        hold.permits = ["fit"]
        hold.save()
    plant.do(fit_part, 50, **good)
    refused(plant, "fitting-refused", fit_part, 49, **good)


@pytest.mark.parametrize("what", ["feed", "container", "lot", "old container"])
def test_what_a_bin_may_give_is_held_with_it(what: str) -> None:
    plant = Plant()
    (board,), feed = plant.boards(), bin_of(plant)
    old, new = plant.reel("CB-1"), plant.reel("CB-2")
    plant.do(load_feed, 1, feed=feed, container=old)
    plant.do(top_up_feed, 2, feed=feed, container=new)
    target = {"feed": feed, "container": new, "lot": new.lot, "old container": old}[what]
    plant.do(place_holds, 5, targets=[target], reason="a crack")
    refused(plant, "held", fit_part, unit=board, designator="R1", feed=feed, reason="x")


def test_what_a_bin_may_give_belongs_there_and_is_not_expired() -> None:
    plant = Plant()
    (board,), feed = plant.boards(), bin_of(plant)
    plant.do(load_feed, 1, feed=feed, container=plant.reel("CB-1", expiry=date(2026, 3, 2)))
    refused(plant, "wrong-part", fit_part, unit=board, designator="C1", feed=feed, reason="x")
    refused(plant, "expired", fit_part, 24 * 60, unit=board, designator="R1", feed=feed, reason="x")
    plant.do(fit_part, 50, unit=board, designator="R1", feed=feed, reason="x")


def test_a_removed_part_is_kept_in_a_container_derived_from_its_place() -> None:
    plant = Plant()
    (board,) = plant.boards()
    removed = plant.do(remove_part, 9, unit=board, designator="R1", reason="reused", salvage="CB-9")
    salvage = Salvage.objects.get()
    assert (removed.holds, removed.until) == ("nothing", None)
    assert (salvage.unit, salvage.designator, salvage.at) == (board, "R1", ticks(9))
    assert (salvage.result.key, salvage.result.part, salvage.result.own) == ("CB-9", plant.resistor, False)
    bag = plant.reel("CB-8")
    plant.do(remove_part, 9, unit=board, designator="R2", reason="reused", into=bag)
    assert Salvage.objects.get(designator="R2").result == bag


def test_removing_is_refused() -> None:
    plant = Plant()
    (board,), (product, empty), (child,) = plant.boards(), plant.products(2), plant.boards()
    plant.do(fit_child, 5, unit=product, designator="M1", child=plant.finish(child, 1))
    bag, gone, wrong = plant.reel("CB-1"), plant.reel("CB-2"), plant.reel("CB-3", plant.capacitor)
    plant.do(discard_container, 1, container=gone, reason="x")
    good = {"unit": board, "designator": "R1", "reason": "x"}
    for code, change in (
        ("fitting-refused", {"reason": ""}),
        ("fitting-refused", {"designator": "R9"}),
        ("fitting-refused", {"into": gone}),
        ("wrong-part", {"into": wrong}),
        ("key-in-use", {"salvage": "CB-1"}),
        ("fitting-refused", {"unit": empty, "designator": "M1"}),
        ("fitting-refused", {"unit": product, "designator": "M1", "salvage": "CB-9"}),
        ("bad-error", {"error": timedelta.max, "salvage": "CB-9"}),
    ):
        refused(plant, code, remove_part, **{**good, **change})
    for target, arguments in ((board, good), (child, {**good, "unit": product, "designator": "M1"})):
        (hold,) = plant.do(place_holds, 6, targets=[target], reason="a crack")
        refused(plant, "held", remove_part, **arguments)
        hold.permits = ["remove"]
        hold.save()
    plant.do(remove_part, 50, **good, into=bag)
    refused(plant, "fitting-refused", remove_part, 51, **good)


def test_a_substitute_may_be_fitted() -> None:
    plant = Plant()
    (board,), other = plant.boards(), make_part("RES-B")
    reel = plant.reel("CB-1", other)
    refused(plant, "wrong-part", fit_part, unit=board, designator="R1", container=reel, reason="x")
    approve_substitute(plant.board, "R1", other)
    plant.do(fit_part, 50, unit=board, designator="R1", container=reel, reason="x")
