"""Lots without serials go through their route by count, and a suspect station reaches what they went into."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_part, make_person, make_station, moment, ticks
from tests.genealogy.asking import NONE, Answer, split
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.core.models import Person
from trace.engineering.models import Characteristic, Designator, Step
from trace.engineering.operations import (
    CharacteristicRow,
    RouteRow,
    define_qualification,
    set_characteristics,
    set_route,
)
from trace.floor.batches import find_steps_passed, read_route
from trace.floor.left import find_left
from trace.floor.models import BatchPass
from trace.floor.operations.batches import record_batch
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.corrections import CorrectionRefused, void_batch, void_count
from trace.floor.operations.counting import CountDiffers
from trace.floor.operations.feeds import find_on_feed, load_feed
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.stores import merge_containers, split_container
from trace.floor.rules import Stopped
from trace.floor.scans import PassRefused
from trace.genealogy.forward import trace_forward
from trace.genealogy.suspicion import Suspicion, Window
from trace.holds.operations import place_holds
from trace.ledger.operation import Request
from trace.material.models import Container, Count, ScrappedParts
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import StockRefused

pytestmark = pytest.mark.django_db


class Bodies:
    """Die-cast bodies (the tiny plant's fuses) are gauged, then deburred, before they are fitted."""

    def __init__(self) -> None:
        self.plant = Plant()
        self.gauging, self.deburring = make_station("GAUGE"), make_station("DEBURR")
        for number, station in ((10, self.gauging), (20, self.deburring)):
            Step.objects.create(part=self.plant.fuse, number=number, name=station.key.title()).stations.add(station)

    def box(self, key: str = "BOX", quantity: int | None = 200) -> Container:
        return self.plant.reel(key, self.plant.fuse, quantity=None if quantity is None else Decimal(quantity))

    def through(
        self, box: Container, number: int, minute: float, quantity: int = 200, good: int | None = None, **said: Any
    ) -> BatchPass:
        """Through step 10 or 20, a minute long."""
        arguments: dict[str, Any] = {"entered": moment(minute - 1), **said}
        return self.plant.do(
            record_batch,
            minute,
            container=box,
            station=self.gauging if number == 10 else self.deburring,
            quantity=Decimal(quantity),
            good=Decimal(quantity if good is None else good),
            **arguments,
        )

    def numbers(self, box: Container, at: int = OPEN) -> set[int]:
        return set(Step.objects.filter(pk__in=find_steps_passed(box, at)).values_list("number", flat=True))

    def who_was_at(self, since: float, until: float, at: float | None = None) -> Answer:
        suspicion = Suspicion.of(windows=[Window(self.gauging.pk, ticks(since), ticks(until))])
        return split(trace_forward(suspicion, OPEN if at is None else ticks(at)))

    def fit(self, box: Container, minute: float, **details: Any) -> str:
        (product,) = self.plant.products()
        self.plant.do(fit_part, minute, unit=product, designator="F1", container=box, reason="assembly", **details)
        return product.key


def test_so_many_in_so_many_good_the_rest_scrapped() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.through(box, 10, 5, 200, 193, reason="bore too wide")
    assert str(find_left(box)) == "193"
    assert [str(step) for step in read_route(box).due] != []
    bodies.through(box, 20, 8, 193)
    assert bodies.numbers(box) == {10, 20}
    assert read_route(box).due == []
    assert ScrappedParts.objects.get().quantity == 7
    with pytest.raises(Stopped, match="Container BOX has no step left"):
        bodies.through(box, 20, 9, 193)


def test_steps_go_in_the_order_of_the_route() -> None:
    bodies = Bodies()
    box = bodies.box()
    with pytest.raises(Stopped, match="Container BOX still needs step 10, Gauge, at GAUGE"):
        bodies.through(box, 20, 5)
    assert not BatchPass.objects.exists() and not Count.objects.exists()


@pytest.mark.parametrize(
    ("refusal", "says", "said"),
    [
        (CountDiffers, "should hold 200 by the record, and 190 went in", {"quantity": 190}),
        (StockRefused, "nobody said why", {"good": 190}),
        (StockRefused, "good ones came of", {"good": 201}),
        (StockRefused, "Nobody can count", {"quantity": 0}),
        (PassRefused, "is gated", {"entered": None}),
        (PassRefused, "after the scan out", {"entered": moment(9)}),
    ],
)
def test_numbers_and_times_that_can_t_be(refusal: type[Exception], says: str, said: dict[str, Any]) -> None:
    bodies = Bodies()
    with pytest.raises(refusal, match=says):
        bodies.through(bodies.box(), 10, 5, **said)
    assert not BatchPass.objects.exists()


def test_what_differs_with_a_reason_is_recorded() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.through(box, 10, 5, 190, reason="ten too few in the delivery")
    assert str(find_left(box)) == "190"


def test_what_has_no_route_or_a_serial_does_not_go() -> None:
    bodies = Bodies()
    with pytest.raises(StockRefused, match="has no route"):
        bodies.through(bodies.plant.reel("CB", quantity=Decimal(200)), 10, 5)
    hanging = bodies.plant.reel("CB-2", quantity=Decimal(200))
    bodies.plant.do(load_feed, 1, feed=bodies.plant.slot_r, container=hanging)
    with pytest.raises(StockRefused, match="hangs on SLOT-R"):
        bodies.through(hanging, 10, 5)


def test_what_is_stopped_after_the_work_was_there_and_has_not_passed() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.plant.do(place_holds, 2, targets=[box.lot], reason="porous")
    request = Request("page", "1")
    entry, again = (bodies.through(box, 10, 5, request=request) for _ in range(2))
    assert not entry.passed
    assert [one.extra["rule"] for one in entry.stopped] == ["held"]
    assert again.said() == entry.said()
    assert BatchPass.objects.count() == 1
    assert bodies.numbers(box) == set()
    assert bodies.who_was_at(4, 6)[0] == NONE  # nothing was made of it


def test_who_does_it_must_be_qualified() -> None:
    bodies = Bodies()
    box = bodies.box()
    gauging = bodies.plant.do(define_qualification, key="GAUGING", name="Gauging")
    Step.objects.filter(number=10, part=bodies.plant.fuse).update(qualification=gauging)
    bob: Person = make_person("BOB")
    entry = bodies.through(box, 10, 5, by=bob)
    assert [one.extra["rule"] for one in entry.stopped] == ["not-qualified"]


def test_what_is_split_off_has_passed_what_it_came_of_had() -> None:
    bodies = Bodies()
    box = bodies.box()
    before = bodies.plant.do(split_container, 2, source=box, key="BEFORE", quantity=Decimal(50))
    bodies.through(box, 10, 5, 150)
    after = bodies.plant.do(split_container, 6, source=box, key="AFTER", quantity=Decimal(50))
    assert (bodies.numbers(before), bodies.numbers(after)) == (set(), {10})
    assert bodies.numbers(box, ticks(3)) == set()


def test_poured_together_they_have_passed_what_all_of_it_has() -> None:
    bodies = Bodies()
    gauged, raw = bodies.box("GAUGED"), bodies.box("RAW")
    bodies.through(gauged, 10, 5)
    both = bodies.plant.do(merge_containers, 6, sources=[gauged, raw], key="BOTH")
    assert bodies.numbers(both) == set()
    bodies.through(both, 10, 8, 400, reason="counted")
    assert bodies.numbers(both) == {10}


# A suspicion by station and window ------------------------------------------------------------------------------------


def test_units_that_carry_parts_of_the_batch_are_found() -> None:
    bodies = Bodies()
    one, other = bodies.box("ONE"), bodies.box("OTHER")
    bodies.through(one, 10, 5)
    bodies.through(other, 10, 15)
    carries, free = bodies.fit(one, 20), bodies.fit(other, 21)
    assert bodies.who_was_at(3, 6) == ({carries}, NONE, NONE)
    assert bodies.who_was_at(13, 16) == ({free}, NONE, NONE)
    assert bodies.who_was_at(3, 16) == ({carries, free}, NONE, NONE)
    assert bodies.who_was_at(6, 13) == (NONE, NONE, NONE)
    assert bodies.who_was_at(3, 6, at=4) == (NONE, NONE, NONE)


def test_from_a_feed_too() -> None:
    bodies = Bodies()
    plant = bodies.plant
    Step.objects.create(part=plant.resistor, number=10, name="Gauge").stations.add(bodies.gauging)
    reel = plant.reel("CB", quantity=Decimal(200))
    plant.do(
        record_batch, 3, container=reel, station=bodies.gauging, quantity=Decimal(200), good=Decimal(200),
        entered=moment(2),
    )  # fmt: skip
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel)
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 6, 7)
    assert bodies.who_was_at(1, 4) == ({board.key}, NONE, NONE)


def test_what_was_split_off_or_used_before_carries_nothing() -> None:
    bodies = Bodies()
    box = bodies.box()
    before = bodies.plant.do(split_container, 2, source=box, key="BEFORE", quantity=Decimal(50))
    early = bodies.fit(box, 2.5)
    bodies.through(box, 10, 5, 149)
    after = bodies.plant.do(split_container, 6, source=box, key="AFTER", quantity=Decimal(50))
    fitted = [bodies.fit(one, 9) for one in (before, after, box)]
    assert bodies.who_was_at(3, 6) == ({fitted[1], fitted[2]}, NONE, NONE)
    assert early not in {*fitted}


def test_mixed_with_others_afterwards_it_is_only_possible() -> None:
    bodies = Bodies()
    gauged, other = bodies.box("GAUGED"), bodies.box("OTHER")
    bodies.through(gauged, 10, 5)
    both = bodies.plant.do(merge_containers, 6, sources=[gauged, other], key="BOTH")
    assert bodies.who_was_at(3, 6) == (NONE, NONE, NONE)
    carries = bodies.fit(both, 9)
    assert bodies.who_was_at(3, 6) == (NONE, {carries}, NONE)


def test_mixed_before_all_of_it_was_there() -> None:
    bodies = Bodies()
    both = bodies.plant.do(merge_containers, 2, sources=[bodies.box("ONE"), bodies.box("OTHER")], key="BOTH")
    bodies.through(both, 10, 5, 400, reason="counted")
    carries = bodies.fit(both, 9)
    assert bodies.who_was_at(3, 6) == ({carries}, NONE, NONE)


def test_a_scan_known_within_an_error_is_surely_in_a_window_as_wide_only() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.through(box, 10, 10, entered=moment(10), error=timedelta(minutes=2))
    carries = bodies.fit(box, 20)
    assert bodies.who_was_at(7, 13) == ({carries}, NONE, NONE)
    assert bodies.who_was_at(11, 13) == (NONE, {carries}, NONE)


def test_what_may_have_been_used_before_it_was_there_is_possible() -> None:
    bodies = Bodies()
    box = bodies.box()
    bodies.through(box, 10, 10, entered=moment(5))
    between, after = bodies.fit(box, 7), bodies.fit(box, 12)
    assert bodies.who_was_at(3, 11) == ({after}, {between}, NONE)


# Corrections ----------------------------------------------------------------------------------------------------------


def test_a_pass_that_never_was_is_due_again() -> None:
    bodies = Bodies()
    box = bodies.box()
    first = bodies.through(box, 10, 5, 200, 193, reason="bore too wide")
    second = bodies.through(box, 20, 8, 193)
    carries = bodies.fit(box, 9)
    with pytest.raises(CorrectionRefused, match="is on record after it"):
        bodies.plant.do(void_batch, 10, entry=first, reason="another box")
    with pytest.raises(CorrectionRefused, match="Void that, where it is wrong|going through"):
        bodies.plant.do(void_count, 10, count=first.count, reason="another box")
    bodies.plant.do(void_batch, 10, entry=second, reason="another box")
    bodies.plant.do(void_batch, 11, entry=first, reason="another box")
    assert bodies.numbers(box) == set()
    assert str(find_left(box, ticks(8))) == "200"
    assert carries not in bodies.who_was_at(3, 6)[0]
    with pytest.raises(CorrectionRefused, match="superseded before"):
        bodies.plant.do(void_batch, 12, entry=first, reason="again")


def test_serials_go_one_by_one() -> None:
    bodies = Bodies()
    part = make_part("LABELLED", serialised=True)
    box = bodies.box()
    Container.objects.filter(pk=box.pk).update(part=part)
    with pytest.raises(StockRefused, match="tracked by serial"):
        bodies.through(box, 10, 5)


def test_a_step_that_asks_for_a_verified_set_up_asks_it_of_a_batch() -> None:
    bodies = Bodies()
    plant, box = bodies.plant, bodies.box()
    Step.objects.filter(part=plant.fuse, number=10).update(verification="anybody")
    assert [one.extra["rule"] for one in bodies.through(box, 10, 5).stopped] == ["set-up-owed"]
    feed = plant.do(define_feed, key="BIN", station=bodies.gauging, kind="bin")
    place = {"parent": plant.fuse, "line": plant.product.lines.first(), "name": "X1", "step_number": 10}
    Designator.objects.create(**place)
    plant.do(start_setup, 6, key="S", station=bodies.gauging, assembly=plant.fuse, feeds={"X1": feed})
    assert [one.extra["rule"] for one in bodies.through(box, 10, 8).stopped] == ["set-up-not-verified"]
    reel = plant.reel("ANY", plant.fuse)
    plant.do(find_on_feed, 9, feed=feed, container=reel)
    plant.do(find_on_feed, 10, feed=feed, container=reel)
    assert not bodies.through(box, 10, 12).stopped


def test_what_is_to_be_measured_of_each_is_not_passed_by_count() -> None:
    bodies = Bodies()
    box, fuse = bodies.box(), bodies.plant.fuse
    Characteristic.objects.create(
        part=fuse, step_number=10, number=1, name="Bore", unit_of_measure="mm", upper=Decimal(9)
    )
    made = bodies.through(box, 10, 5)
    assert not made.passed and [one.extra["rule"] for one in made.stopped] == ["reading-missing"]
    told = {"part": fuse, "rows": [CharacteristicRow(10, "Bore", "mm", upper=Decimal(9))]}
    assert (
        "is tracked by lot" in refused(bodies.plant, "characteristic-refused", set_characteristics, 6, **told).message
    )
    told = {"part": fuse, "rows": [RouteRow(10, "Gauge", ["GAUGE"], first_piece=True)]}
    fuse.level, fuse.kind = 1, "assembly"
    fuse.save()
    assert "asks for a first piece" in refused(bodies.plant, "route-refused", set_route, 6, **told).message
