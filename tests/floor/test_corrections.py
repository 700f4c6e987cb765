"""What was recorded wrongly is voided with a reason, and what follows from it is reckoned anew."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_station, ticks
from tests.genealogy.asking import NONE, split, suspect
from trace.core.clock import OPEN
from trace.core.models import Person
from trace.core.permissions import NotPermitted
from trace.engineering.models import ScanMode
from trace.floor.carrying import list_carried
from trace.floor.left import find_left
from trace.floor.models import Carried, Fitting, Pass, Unit
from trace.floor.operations.carriers import start_carrier
from trace.floor.operations.corrections import (
    CorrectionRefused,
    void_count,
    void_fitting,
    void_pass,
    void_scrapped_parts,
    void_slot,
)
from trace.floor.operations.counting import count_container, scrap_parts
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.findings import find_child, find_loose
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.passes import record_passes
from trace.floor.operations.racks import define_rack, put_in_rack
from trace.genealogy.forward import trace_forward
from trace.genealogy.known import as_known
from trace.ledger.models import Event
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def finished(plant: Plant, number: int = 1) -> list[Unit]:
    boards = plant.boards(number)
    for number, board in enumerate(boards):
        plant.run(board, plant.insertion, 1 + number, 1.5 + number)
        plant.run(board, plant.test, 5 + number, 5.5 + number)
    return boards


def at_place(unit: Unit, designator: str) -> list[Fitting]:
    return list(Fitting.objects.filter(unit=unit, designator=designator, superseded=None).order_by("since", "pk"))


def void(plant: Plant, minute: float, fitting: Fitting, reason: str = "another label was scanned") -> Fitting:
    return plant.do(void_fitting, minute, fitting=fitting, reason=reason)


# Fittings -------------------------------------------------------------------------------------------------------------


def test_a_child_that_was_never_fitted_is_free_and_its_place_empty() -> None:
    plant = Plant()
    (board,), (product, other) = finished(plant), plant.products(2)
    fitting = plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    gone = void(plant, 11, fitting)
    assert gone.superseded is not None
    assert at_place(product, "M1") == []
    plant.do(fit_child, 12, unit=other, designator="M1", child=board)
    (event,) = Event.objects.filter(verb="void_fitting")
    assert json.loads(event.payload)["facts"]["reason"] == "another label was scanned"
    assert {("unit", product.key), ("unit", board.key)} <= set(event.subjects.values_list("kind", "key"))


def test_the_place_holds_again_what_it_held_before() -> None:
    plant = Plant()
    first, second = finished(plant, 2)
    (product,) = plant.products()
    plant.do(fit_child, 10, unit=product, designator="M1", child=first)
    removal = plant.do(remove_part, 11, unit=product, designator="M1", reason="noisy")
    void(plant, 12, removal)
    (standing,) = at_place(product, "M1")
    assert (standing.child, standing.until, standing.since) == (first, None, ticks(10))
    with pytest.raises(Exception, match="holds"):
        plant.do(fit_child, 13, unit=product, designator="M1", child=second)
    void(plant, 14, standing)
    assert at_place(product, "M1") == []


def test_what_stood_there_before_may_not_have_been_elsewhere_since() -> None:
    plant = Plant()
    (board,) = finished(plant)
    product, other = plant.products(2)
    plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    removal = plant.do(remove_part, 11, unit=product, designator="M1", reason="noisy")
    elsewhere = plant.do(fit_child, 12, unit=other, designator="M1", child=board)
    with pytest.raises(CorrectionRefused, match=f"{board.key} stood there before, and is on record in {other.key} now"):
        void(plant, 13, removal)
    void(plant, 14, elsewhere)
    plant.do(find_loose, 15, child=board)
    with pytest.raises(CorrectionRefused, match="has been elsewhere on record since"):
        void(plant, 16, removal)
    assert not Fitting.objects.filter(child=board, until=None, superseded=None).exists()


def test_who_stands_in_a_rack_was_taken_out() -> None:
    plant = Plant()
    (board,), (product,) = finished(plant), plant.products()
    plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    removal = plant.do(remove_part, 11, unit=product, designator="M1", reason="noisy")
    plant.do(put_in_rack, 12, rack=plant.do(define_rack, key="RACK", slots=1), unit=board)
    with pytest.raises(CorrectionRefused, match="has been elsewhere"):
        void(plant, 13, removal)


def test_what_can_t_be_voided() -> None:
    plant = Plant()
    (board, other), (product, second) = finished(plant, 2), plant.products(2)
    fitting = plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    with pytest.raises(CorrectionRefused, match="Say why"):
        void(plant, 11, fitting, reason=" ")
    plant.do(remove_part, 12, unit=product, designator="M1", reason="noisy")
    with pytest.raises(CorrectionRefused, match="was changed since"):
        void(plant, 13, fitting)
    found = plant.do(find_child, 14, unit=second, designator="M1", child=other)
    with pytest.raises(CorrectionRefused, match="was found there, not put"):
        void(plant, 15, found)
    fuse = plant.do(
        fit_part, 16, unit=second, designator="F1", container=plant.reel("FUSES", plant.fuse), reason="as designed"
    )
    void(plant, 17, fuse)
    with pytest.raises(CorrectionRefused, match="superseded before"):
        void(plant, 18, fuse)


def test_what_was_kept_when_it_was_removed_stays_removed() -> None:
    plant = Plant()
    (product,) = plant.products()
    plant.do(fit_part, 10, unit=product, designator="F1", container=plant.reel("FUSES", plant.fuse), reason="x")
    removal = plant.do(remove_part, 11, unit=product, designator="F1", reason="reused", salvage="KEPT")
    with pytest.raises(CorrectionRefused, match="on record in KEPT"):
        void(plant, 12, removal)


def test_only_supervisors_and_quality_engineers_put_records_right() -> None:
    plant = Plant()
    (board,), (product,) = finished(plant), plant.products()
    fitting = plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    bob = Person.objects.create(key="BOB", name="Bob", roles=["operator", "technician"])
    with pytest.raises(NotPermitted):
        plant.do(void_fitting, 11, fitting=fitting, reason="x", by=bob)


def test_who_carries_what_after_a_fitting_was_voided() -> None:
    plant = Plant()
    bad, good = plant.reel("CB-BAD", lot="BAD"), plant.reel("CB-GOOD", lot="GOOD")
    plant.do(load_feed, 0.5, feed=plant.slot_r, container=bad)
    (board,) = finished(plant)
    (product,) = plant.products()
    child = plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    assert split(trace_forward(suspect("BAD"))) == ({board.key, product.key}, NONE, NONE)
    void(plant, 11, child)
    assert split(trace_forward(suspect("BAD"))) == ({board.key}, NONE, NONE)
    for name in ("R1", "R2"):
        plant.do(fit_part, 12, unit=board, designator=name, container=good, reason="drifted")
    assert split(trace_forward(suspect("BAD"))) == (NONE, NONE, {board.key})
    void(plant, 13, at_place(board, "R1")[-1])
    assert split(trace_forward(suspect("BAD"))) == ({board.key}, NONE, NONE)


def test_what_was_believed_before_stays_readable() -> None:
    plant = Plant()
    plant.do(load_feed, 0.5, feed=plant.slot_r, container=plant.reel("CB-BAD", lot="BAD"))
    (board,), (product,) = finished(plant), plant.products()
    plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    removal = plant.do(remove_part, 11, unit=product, designator="M1", reason="noisy")
    known = removal.recorded
    void(plant, 12, removal)
    assert split(trace_forward(suspect("BAD"))) == ({board.key, product.key}, NONE, NONE)
    with as_known(known):
        assert split(trace_forward(suspect("BAD"))) == ({board.key}, NONE, {product.key})


def test_a_bin_that_gave_no_part_is_reckoned_anew() -> None:
    plant = Plant()
    bin_ = plant.do(define_feed, key="BIN", station=make_station("BENCH"), kind="bin")
    plant.do(load_feed, 1, feed=bin_, container=plant.reel("CB", plant.fuse), quantity=10)
    (product,) = plant.products()
    fitting = plant.do(fit_part, 10, unit=product, designator="F1", feed=bin_, reason="as designed")
    void(plant, 11, fitting)
    assert at_place(product, "F1") == []


@pytest.mark.parametrize("later", ["nothing", "loose"])
def test_passes_that_the_scan_bounded_reach_on(later: str) -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    board, *_ = plant.boards()
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    plant.board.steps.filter(number=20).delete()
    (product,) = plant.products()
    fitting = plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    assert Pass.objects.get(unit=board, superseded=None).ended == ticks(10)
    if later == "loose":
        plant.do(remove_part, 12, unit=product, designator="M1", reason="noisy")
        plant.do(find_loose, 15, child=board)
        for one in reversed(at_place(product, "M1")):
            if one.holds == Fitting.Holds.NOTHING:
                Fitting.objects.filter(pk=one.pk).update(superseded=1)  # as if nobody had taken it out
        Fitting.objects.filter(pk=fitting.pk).update(until=None, ended=None)
    void(plant, 20, fitting)
    ended = Pass.objects.get(unit=board, superseded=None).ended
    assert ended == (OPEN if later == "nothing" else ticks(15))


def test_voiding_a_pass_leaves_those_bounded_that_a_fitting_bounds() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    plant.do(record_passes, 5, units=[board], station=plant.insertion)
    plant.run(board, plant.test, 6, 7)
    (product,) = plant.products()
    plant.do(fit_child, 10, unit=product, designator="M1", child=board)
    drew = Pass.objects.filter(unit=board, station=plant.insertion, superseded=None)
    assert drew.get().ended == ticks(6)
    plant.do(void_pass, 11, entry=Pass.objects.get(unit=board, station=plant.test, superseded=None), reason="another")
    assert drew.get().ended == ticks(10)


# Counts, scrap and slots ----------------------------------------------------------------------------------------------


def test_a_wrong_count_and_what_was_not_scrapped() -> None:
    plant = Plant()
    reel = plant.reel("CB", quantity=Decimal(100))
    count = plant.do(count_container, 5, container=reel, quantity=Decimal(10), reason="miscounted")
    scrapped = plant.do(scrap_parts, 6, container=reel, quantity=Decimal(4), reason="bent")
    assert str(find_left(reel)) == "6"
    plant.do(void_count, 7, count=count, reason="another reel was counted")
    assert str(find_left(reel)) == "96"
    plant.do(void_scrapped_parts, 8, scrapped=scrapped, reason="they were found")
    assert str(find_left(reel)) == "100"
    for operation, argument, record in (
        (void_count, "count", count),
        (void_scrapped_parts, "scrapped", scrapped),
    ):
        with pytest.raises(CorrectionRefused, match="superseded before"):
            plant.do(operation, 9, **{argument: record, "reason": "again"})


@pytest.mark.parametrize("reason", ["", "  "])
def test_every_correction_asks_why(reason: str) -> None:
    plant = Plant()
    reel = plant.reel("CB", quantity=Decimal(100))
    (board,) = plant.boards()
    rack = plant.do(define_rack, key="RACK", slots=3)
    records: list[tuple[Any, str, Any]] = [
        (void_count, "count", plant.do(count_container, 5, container=reel, quantity=Decimal(100))),
        (void_scrapped_parts, "scrapped", plant.do(scrap_parts, 6, container=reel, quantity=Decimal(4), reason="bent")),
        (void_slot, "place", plant.do(put_in_rack, 7, rack=rack, unit=board)),
    ]
    for operation, argument, record in records:
        with pytest.raises(CorrectionRefused, match="Say why"):
            plant.do(operation, 9, **{argument: record, "reason": reason})
        assert type(record).objects.get(pk=record.pk).superseded is None


def test_a_wrong_slot() -> None:
    plant = Plant()
    board, other = plant.boards(2)
    rack = plant.do(define_rack, key="RACK", slots=3)
    place = plant.do(put_in_rack, 1, rack=rack, unit=board, slot=1)
    plant.do(void_slot, 2, place=place, reason="it stands in slot 2")
    plant.do(put_in_rack, 3, rack=rack, unit=board, slot=2)
    plant.do(put_in_rack, 4, rack=rack, unit=other, slot=1)
    assert {one.slot: one.unit for one in list_carried(rack)} == {1: other, 2: board}
    assert Carried.objects.count() == 3
    plant.do(start_carrier, 5, carrier=rack, station=plant.insertion)
    assert Pass.objects.filter(inside=True).count() == 2
