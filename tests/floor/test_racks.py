"""Racks: units that go through stations together, and those that stay behind."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.factories import Plant, make_station, moment
from trace.core.clock import OPEN
from trace.core.keys import KeyInUse
from trace.engineering.models import ScanMode
from trace.floor.carrying import RackRefused, list_carried
from trace.floor.models import Carried, Carrier, Pass, Unit
from trace.floor.operations.carriers import finish_carrier, pass_carrier, start_carrier
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import start_pass
from trace.floor.operations.racks import define_rack, put_in_rack, take_from_rack
from trace.floor.queries import find_due_step
from trace.floor.rules import Stopped
from trace.floor.scans import PassRefused
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.ledger.operation import Request
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def fill(plant: Plant, units: list[Unit], *, key: str = "RACK", slots: int = 8, ordered: bool = False) -> Carrier:
    rack = plant.do(define_rack, key=key, slots=slots, ordered=ordered)
    for unit in units:
        plant.do(put_in_rack, 1, rack=rack, unit=unit)
    return rack


def standing(rack: Carrier) -> dict[int, str]:
    return {one.slot: one.unit.key for one in list_carried(rack)}


def outcomes(units: list[Unit]) -> list[str]:
    rows = dict(Pass.objects.filter(unit__in=units, superseded=None).values_list("unit", "outcome"))
    return [rows.get(unit.pk, "nothing") for unit in units]


def test_units_stand_in_slots() -> None:
    plant = Plant()
    one, two, three = plant.boards(3)
    rack = fill(plant, [one, two])
    plant.do(put_in_rack, 2, rack=rack, unit=three, slot=7)
    assert standing(rack) == {1: one.key, 2: two.key, 7: three.key}
    plant.do(take_from_rack, 3, unit=one)
    assert standing(rack) == {2: two.key, 7: three.key}
    other = plant.do(define_rack, key="OTHER", slots=1)
    plant.do(put_in_rack, 4, rack=other, unit=two)
    assert (standing(rack), standing(other)) == ({7: three.key}, {1: two.key})
    history = Carried.objects.filter(unit=two).order_by("pk").values_list("carrier__key", "until")
    assert [(key, until is None) for key, until in history] == [("RACK", False), ("OTHER", True)]


def test_what_can_t_be_put_into_a_slot() -> None:
    plant = Plant()
    one, two, three = plant.boards(3)
    rack = fill(plant, [one], slots=2)

    def refused(says: str, **arguments: Any) -> None:
        with pytest.raises(RackRefused, match=says):
            plant.do(put_in_rack, 5, **{"rack": rack, "unit": two, **arguments})

    refused("Slot 1 of RACK holds", slot=1)
    refused("has slots 1 to 2, and no 3", slot=3)
    refused("no 0", slot=0)
    refused("is in slot 1 of RACK already", unit=one)
    plant.do(scrap_unit, 2, unit=two, reason="broken")
    refused("was scrapped")
    plant.do(put_in_rack, 3, rack=rack, unit=three)
    (four,) = plant.boards()
    refused("All 2 slots of RACK are taken", unit=four)
    assert len(standing(rack)) == 2
    with pytest.raises(RackRefused, match="stands in no rack"):
        plant.do(take_from_rack, 5, unit=four)
    with pytest.raises(RackRefused, match="after that moment"):
        plant.do(take_from_rack, 0, unit=one)
    with pytest.raises(KeyInUse):
        plant.do(define_rack, key="RACK", slots=2)
    with pytest.raises(RackRefused, match="1 to 500 slots"):
        plant.do(define_rack, key="WIDE", slots=501)


def test_whoever_goes_elsewhere_leaves_the_rack() -> None:
    plant = Plant()
    one, two = plant.boards(2)
    for unit in (one, two):
        plant.run(unit, plant.insertion, 1, 2)
        plant.run(unit, plant.test, 3, 4)
    rack = plant.do(define_rack, key="RACK", slots=2)
    plant.do(put_in_rack, 5, rack=rack, unit=one)
    plant.do(put_in_rack, 5, rack=rack, unit=two)
    plant.do(pack_units, 6, carton="CARTON", units=[one])
    assert standing(rack) == {2: two.key}
    plant.do(scrap_unit, 7, unit=two, reason="broken")
    assert standing(rack) == {}
    with pytest.raises(RackRefused, match="is packed in carton CARTON"):
        plant.do(put_in_rack, 8, rack=rack, unit=one)


def test_the_rack_is_scanned_and_all_its_units_go() -> None:
    plant = Plant()
    units = plant.boards(3)
    rack = fill(plant, units)
    done = plant.do(start_carrier, 2, carrier=rack, station=plant.insertion)
    assert (done.went, done.behind) == ([unit.key for unit in units], [])
    assert Pass.objects.filter(inside=True, rack="RACK").count() == 3
    assert Event.objects.filter(verb="start_carrier").count() == 1
    done = plant.do(finish_carrier, 3, carrier=rack, failed=[units[1]], aborted=[units[2]])
    assert outcomes(units) == ["passed", "failed", "aborted"]
    assert [find_due_step(unit).number for unit in units] == [20, 10, 10]  # type: ignore[union-attr]
    assert Pass.objects.get(unit=units[2], superseded=None).drew == Pass.Drew.UNSURE
    assert len(standing(rack)) == 3


def test_whoever_is_stopped_stays_behind_and_the_others_go() -> None:
    plant = Plant()
    ahead, held, good = plant.boards(3)
    plant.run(ahead, plant.insertion, 1, 2)
    rack = plant.do(define_rack, key="RACK", slots=8)
    for unit in (ahead, held, good):
        plant.do(put_in_rack, 3, rack=rack, unit=unit)
    plant.do(place_holds, 4, targets=[held], reason="suspect")
    done = plant.do(start_carrier, 5, carrier=rack, station=plant.insertion)
    assert done.went == [good.key]
    assert [(unit, slot, [one.extra["rule"] for one in why]) for unit, slot, why in done.behind] == [
        (ahead.key, 1, ["not-due"]),
        (held.key, 2, ["held"]),
    ]
    assert standing(rack) == {3: good.key}
    assert Pass.objects.filter(inside=True).count() == 1
    (event,) = Event.objects.filter(verb="start_carrier")
    assert sorted(json.loads(event.payload)["facts"]["behind"]) == sorted([ahead.key, held.key])
    assert ("unit", held.key) in event.subjects.values_list("kind", "key")


def test_nobody_to_go_is_a_refusal_and_nothing_is_done() -> None:
    plant = Plant()
    (unit,) = plant.boards()
    rack = fill(plant, [unit])
    with pytest.raises(Stopped, match="still needs step 10"):
        plant.do(start_carrier, 2, carrier=rack, station=plant.test)
    assert standing(rack) == {1: unit.key}
    plant.do(take_from_rack, 3, unit=unit)
    with pytest.raises(RackRefused, match="Nothing is in RACK"):
        plant.do(start_carrier, 4, carrier=rack, station=plant.insertion)
    with pytest.raises(RackRefused, match="Nothing is in RACK"):
        plant.do(finish_carrier, 4, carrier=rack)


def test_after_the_work_what_drew_is_recorded_and_has_not_passed() -> None:
    plant = Plant()
    ahead, held, good = plant.boards(3)
    plant.run(ahead, plant.insertion, 1, 2)
    rack = plant.do(define_rack, key="RACK", slots=8)
    for unit in (ahead, held, good):
        plant.do(put_in_rack, 3, rack=rack, unit=unit)
    plant.do(place_holds, 4, targets=[held], reason="suspect")
    done = plant.do(pass_carrier, 6, carrier=rack, station=plant.insertion, entered=moment(5))
    assert done.went == [good.key]
    assert {one.unit for one in done.behind} == {ahead.key, held.key}
    assert outcomes([ahead, held, good]) == ["passed", "aborted", "passed"]
    assert Pass.objects.filter(unit=ahead).count() == 1  # that of before
    assert standing(rack) == {3: good.key}


def test_a_repeat_hears_the_same() -> None:
    plant = Plant()
    ahead, good = plant.boards(2)
    plant.run(ahead, plant.insertion, 1, 2)
    rack = plant.do(define_rack, key="RACK", slots=8)
    for unit in (ahead, good):
        plant.do(put_in_rack, 3, rack=rack, unit=unit)

    def scan() -> Carrier:
        request = Request("page", "1")
        return plant.do(start_carrier, 5, carrier=rack, station=plant.insertion, request=request)

    first, again = scan(), scan()
    assert Pass.objects.filter(inside=True).count() == 1
    assert (again.went, again.said()) == (first.went, first.said())
    ((unit, slot, (refusal,)),) = again.behind
    assert (unit, slot, refusal.code, refusal.extra["rule"]) == (ahead.key, 1, "stopped", "not-due")
    assert refusal.action


@pytest.mark.parametrize(
    ("ordered", "given", "each"),
    [
        (True, (10, 12), [(10, 10), (11, 11), (12, 12)]),
        (True, (10, 13), [(10, 11), (11, 12), (12, 13)]),
        (False, (10, 12), [(10, 12)] * 3),
        (False, (10, 10), [(10, 10)] * 3),
    ],
)
def test_positions_in_the_order_of_the_slots_or_shared(
    ordered: bool, given: tuple[int, int], each: list[tuple[int, int]]
) -> None:
    plant = Plant(counts_cycles=True)
    units = plant.boards(3)
    rack = plant.do(define_rack, key="RACK", slots=8, ordered=ordered)
    for unit, slot in zip(units, (5, 2, 7), strict=True):
        plant.do(put_in_rack, 1, rack=rack, unit=unit, slot=slot)
    plant.do(pass_carrier, 3, carrier=rack, station=plant.insertion, entered=moment(2), position=given)
    in_slots = [units[1], units[0], units[2]]
    assert [Pass.objects.values_list("first", "last").get(unit=unit) for unit in in_slots] == each


def test_in_order_each_unit_needs_a_position() -> None:
    plant = Plant(counts_cycles=True)
    rack = fill(plant, plant.boards(3), ordered=True)
    with pytest.raises(PassRefused, match="3 units go in order, and 2 positions"):
        plant.do(start_carrier, 2, carrier=rack, station=plant.insertion, position=(10, 11))
    assert not Pass.objects.exists()


def test_who_stayed_behind_may_have_had_a_position() -> None:
    plant = Plant(counts_cycles=True)
    first, ahead, last = plant.boards(3)
    plant.do(start_carrier, 2, carrier=fill(plant, [ahead], key="EARLY"), station=plant.insertion, position=(1, 1))
    plant.do(finish_carrier, 3, carrier=Carrier.objects.get(key="EARLY"))
    rack = plant.do(define_rack, key="RACK", slots=3, ordered=True)
    for unit in (first, ahead, last):
        plant.do(put_in_rack, 4, rack=rack, unit=unit)
    plant.do(pass_carrier, 6, carrier=rack, station=plant.insertion, entered=moment(5), position=(10, 12))
    assert [Pass.objects.values_list("first", "last").get(unit=unit) for unit in (first, last)] == [(10, 11), (11, 12)]


def test_a_rack_shares_its_range_on_the_clock() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    units = plant.boards(2)
    rack = fill(plant, units)
    plant.do(pass_carrier, 9, carrier=rack, station=plant.insertion)
    first, second = Pass.objects.order_by("pk")
    assert (first.began, first.ended) == (second.began, second.ended)
    assert first.ended < OPEN


def test_what_is_held_inside_stays_inside() -> None:
    plant = Plant()
    held, good = plant.boards(2)
    rack = fill(plant, [held, good])
    plant.do(start_carrier, 2, carrier=rack, station=plant.insertion)
    plant.do(place_holds, 3, targets=[held], reason="suspect")
    done = plant.do(finish_carrier, 4, carrier=rack)
    assert (done.went, [one.unit for one in done.behind]) == ([good.key], [held.key])
    assert Pass.objects.get(inside=True).unit == held
    assert standing(rack) == {2: good.key}
    with pytest.raises(RackRefused, match="inside a station"):
        plant.do(finish_carrier, 5, carrier=rack)


def test_only_what_is_in_the_rack_fails_with_it() -> None:
    plant = Plant()
    inside, stranger = plant.boards(2)
    rack = fill(plant, [inside])
    plant.do(start_carrier, 2, carrier=rack, station=plant.insertion)
    with pytest.raises(RackRefused, match=f"{stranger.key}: not in RACK"):
        plant.do(finish_carrier, 3, carrier=rack, failed=[stranger])
    with pytest.raises(RackRefused, match="named twice"):
        plant.do(finish_carrier, 3, carrier=rack, failed=[inside], aborted=[inside])
    assert Pass.objects.get().inside


def test_a_unit_that_was_inside_before_does_not_come_out_with_the_rack() -> None:
    plant = Plant()
    alone, other = plant.boards(2)
    rack = fill(plant, [other])
    plant.do(start_carrier, 2, carrier=rack, station=plant.insertion)
    plant.do(start_pass, 3, unit=alone, station=plant.insertion)
    plant.do(put_in_rack, 4, rack=rack, unit=alone)
    plant.do(finish_carrier, 5, carrier=rack)
    assert outcomes([alone, other]) == ["", "passed"]


def test_the_number_of_queries_does_not_grow_with_the_rack(django_assert_max_num_queries: Any) -> None:
    plant = Plant()
    plant.do(define_feed, key="SPARE", station=make_station())
    small, large = plant.boards(2), plant.boards(30)
    racks = [fill(plant, small, key="SMALL"), fill(plant, large, key="LARGE", slots=50)]
    taken = []
    for rack in racks:
        with django_assert_max_num_queries(60) as queries:
            plant.do(start_carrier, 2, carrier=rack, station=plant.insertion)
        taken.append(len(queries))
    assert taken[0] == taken[1]
