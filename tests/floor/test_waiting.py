"""Which units wait for a station, and what is to be done with one there."""

from __future__ import annotations

import pytest

from tests.factories import Plant, make_assembly, make_station, moment
from tests.floor.test_query_counts import count
from trace.engineering.models import Station, Step
from trace.floor.models import Pass, Unit
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.rules import Stopped
from trace.floor.scans import PassRefused
from trace.floor.waiting import list_waiting
from trace.floor.work import foresee, list_places_for, read_work
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant(db: None) -> Plant:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RR"))
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CC", plant.capacitor))
    return plant


def waiting(station: Station) -> list[str]:
    return [one.unit.key for one in list_waiting(station)]


def test_whoever_was_scanned_first_comes_first(plant: Plant) -> None:
    one, two, three, four = plant.boards(4)
    for board, minute in ((two, 5), (one, 7), (three, 9)):
        plant.run(board, plant.insertion, minute, minute + 1)
    assert waiting(plant.test) == [two.key, one.key, three.key]
    assert waiting(plant.insertion) == [four.key]
    (first, *_) = list_waiting(plant.test)
    assert (first.step.number, first.since, first.scanned) == (20, Pass.objects.get(unit=two).scanned_out, True)
    assert not list_waiting(plant.insertion)[0].scanned


def test_what_is_elsewhere_does_not_wait(plant: Plant) -> None:
    inside, scrapped, failed, passed = plant.boards(4)
    for board in (inside, scrapped, failed, passed):
        plant.run(board, plant.insertion, 5, 6)
    plant.do(start_pass, 7, unit=inside, station=plant.test)
    plant.do(scrap_unit, 7, unit=scrapped, reason="cracked")
    plant.run(failed, plant.test, 8, 9, outcome="failed")
    plant.run(passed, plant.test, 8, 9)
    assert waiting(plant.test) == [failed.key], "its step is still due"
    plant.do(pack_units, 10, carton="CT-1", units=[passed])
    assert waiting(plant.final) == []


def test_steps_in_any_order_wait_at_each_of_their_stations(plant: Plant) -> None:
    first, left, right = (make_station(key) for key in ("FIRST", "LEFT", "RIGHT"))
    part = make_assembly("FREE", places={}, route={10: [first], 20: [left], 30: [right]})
    Step.objects.filter(part=part, number__in=[20, 30]).update(free_order="sides")
    (unit,) = plant.units(part)
    plant.run(unit, first, 2, 3)
    assert waiting(left) == waiting(right) == [unit.key]
    plant.run(unit, right, 4, 5)
    assert waiting(left) == [unit.key] and waiting(right) == []


def test_looking_asks_as_often_however_much_went_by(plant: Plant) -> None:
    def look() -> int:
        return count(lambda: list_waiting(plant.test))

    for minute, board in enumerate(plant.boards(2)):
        plant.run(board, plant.insertion, 5 + minute, 5.5 + minute)
    asked = look()
    for minute, board in enumerate(plant.boards(12)):
        plant.run(board, plant.insertion, 20 + minute, 20.5 + minute)
    assert look() == asked


# What is to be done --------------------------------------------------------------------------------------------------


def product_inside(plant: Plant) -> tuple[Unit, Step]:
    (product,) = plant.products()
    entry = plant.do(start_pass, 20, unit=product, station=plant.final)
    return product, entry.step


def test_what_no_set_up_serves_is_scanned_in(plant: Plant) -> None:
    product, step = product_inside(plant)
    work = read_work(product, step, plant.final, moment(21))
    assert {place.designator for place in work.to_scan} == {"M1", "F1"} and work.missing == 2 and not work.drawn
    plant.do(fit_part, 21, unit=product, designator="F1", container=plant.reel("FUSES", plant.fuse), reason="designed")
    work = read_work(product, step, plant.final, moment(22))
    assert [(p.designator, p.filled) for p in work.to_scan] == [("M1", False), ("F1", True)], "what is missing first"
    assert [p.designator for p in list_places_for(product, step, plant.fuse.pk)] == ["F1"]
    board_step = plant.board.steps.get(number=10)
    (board,) = plant.boards()
    drawn = read_work(board, board_step, plant.insertion, moment(22)).drawn
    assert {part.key: names for part, names in drawn} == {"RES": "R1, R2", "CAP": "C1"}
    assert list_places_for(board, board_step, plant.resistor.pk) == [], "a feed gives them"


def test_what_would_stop_a_unit_is_told_and_nothing_recorded(plant: Plant) -> None:
    (board,) = plant.boards()
    assert foresee(board, plant.insertion, by=plant.ann, at=moment(5)).step.number == 10
    plant.do(place_holds, 6, targets=[board], reason="Scratched.")
    before = Event.objects.count()
    with pytest.raises(Stopped, match="Scratched"):
        foresee(board, plant.insertion, by=plant.ann, at=moment(7))
    assert (Event.objects.count(), Pass.objects.count()) == (before, 0)


def test_a_unit_is_scanned_out_where_it_is(plant: Plant) -> None:
    (board,) = plant.boards()
    plant.do(start_pass, 5, unit=board, station=plant.insertion)
    before = Event.objects.count()
    with pytest.raises(PassRefused, match="is inside INSERT, not TEST"):
        plant.do(finish_pass, 6, unit=board, station=plant.test)
    assert Event.objects.count() == before and Pass.objects.get().inside
    assert plant.do(finish_pass, 6, unit=board, station=plant.insertion).outcome == "passed"
