"""One stop holds all of a population that is in the plant, and nothing else; stations, feeds and docks obey it."""

from __future__ import annotations

import pytest

from tests.containment.alarm import REASON, Alarm
from tests.factories import Plant
from tests.floor.troubleshooting import stopped_by
from tests.refusals import refused
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.stop import release_contained, stop_containment
from trace.containment.terms import Told
from trace.floor.models import Pass
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.dispatch import pack_units, send_shipment, unload_shipment
from trace.floor.operations.feeds import charge_bath, clear_feed, dump_bath, load_feed
from trace.floor.operations.fittings import fit_child, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.pallets import unstack_carton
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.stores import split_container
from trace.holds.models import Hold
from trace.holds.operations import place_holds, release_hold
from trace.holds.rules import Move
from trace.ledger.models import Event
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db

STOPPED = f"is held: {REASON}"


def test_it_holds_everything_of_the_population_that_is_in_the_plant_and_nothing_else() -> None:
    alarm = Alarm()
    snapshot = alarm.stop()
    assert alarm.held() == {
        "lot LOT-BAD",
        "carton CT-2",
        "pallet PAL",
        "shipment OPEN",
        *alarm.named(alarm.second, alarm.boxed, alarm.third, alarm.fourth, alarm.blurred),
    }
    assert (snapshot.why, snapshot.certain, snapshot.possible, snapshot.shipped) == ("stopped", 4, 1, 1)
    assert set(Hold.objects.values_list("reason", flat=True)) == {REASON}
    event = Event.objects.get(verb="stop_containment")
    assert '"held":{"carton":1,"lot":1,"pallet":1,"shipment":1,"unit":5}' in event.payload


def test_stations_stop_with_its_sentence() -> None:
    alarm = Alarm()
    alarm.stop()
    plant = alarm.plant
    refusal = refused(plant, "stopped", start_pass, unit=alarm.blurred, station=plant.test)
    assert stopped_by(refusal) == ["held"]
    assert f"Unit {alarm.blurred.key} {STOPPED}" in refusal.message
    refused(plant, "stopped", finish_pass, unit=alarm.fourth)
    refused(plant, "held", fit_child, unit=plant.products()[0], designator="M1", child=alarm.third)
    refused(plant, "held", scrap_unit, unit=alarm.third, reason="bad")
    refused(plant, "held", remove_part, unit=alarm.third, designator="R1", reason="bad")
    assert plant.do(start_pass, 50, unit=plant.boards()[0], station=plant.insertion)  # of the good reel


def test_a_step_that_cannot_stop_safely_may_be_finished() -> None:
    alarm = Alarm()
    alarm.stop(permits=[Move.FINISH])
    assert alarm.plant.do(finish_pass, 50, unit=alarm.fourth).outcome == Pass.Outcome.PASSED
    refused(alarm.plant, "stopped", start_pass, unit=alarm.blurred, station=alarm.plant.test)


def test_material_of_it_goes_on_no_feed_and_is_not_divided() -> None:
    alarm = Alarm()
    alarm.stop()
    plant = alarm.plant
    refusal = refused(plant, "held", load_feed, feed=plant.slot_r, container=alarm.bad)
    assert STOPPED in refusal.message
    refused(plant, "held", split_container, source=alarm.bad, key="PART")


def test_a_reel_on_its_feed_stops_the_station() -> None:
    alarm = Alarm()
    plant = alarm.plant
    plant.do(load_feed, 29, feed=plant.slot_r, container=alarm.bad)
    alarm.stop()
    refusal = refused(plant, "stopped", start_pass, unit=plant.boards()[0], station=plant.insertion)
    assert STOPPED in refusal.message
    plant.do(load_feed, 50, feed=plant.slot_r, container=alarm.good)
    assert plant.do(start_pass, 51, unit=plant.boards()[0], station=plant.insertion)


def test_nothing_that_holds_it_is_packed_stacked_loaded_or_sent() -> None:
    alarm = Alarm()
    alarm.stop()
    plant = alarm.plant
    refusal = refused(plant, "held", send_shipment, shipment=alarm.shipment)
    assert STOPPED in refusal.message
    assert {one.split(":")[0] for one in refusal.extra["holds"]} == {"shipment", "pallet", "carton", "unit"}
    refused(plant, "held", pack_units, carton="CT-2", units=[alarm.free])
    plant.do(pack_units, 50, carton="CT-3", units=[alarm.free])  # it never had any of it
    # Taken apart, what holds it stays held, and what is in it that is not suspect is free.
    plant.do(unload_shipment, 51, shipment=alarm.shipment, pallets=[alarm.pallet], reason="stopped")
    plant.do(unstack_carton, 52, carton=alarm.carton, reason="stopped")
    assert "carton CT-2" in alarm.held()
    assert Hold.objects.filter(under="").count() == 0


def test_of_a_lot_from_which_a_reel_is_excepted_the_others_are_held() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel())
    plant.lot("LOT-TWO", containers=[("ONE", None), ("OTHER", None)])
    containment = plant.do(open_containment, problem="drift")
    for joined, kind, key in (("any", "lot", "LOT-TWO"), ("except", "container", "OTHER")):
        plant.do(add_term, containment=containment, joined=joined, told=Told(kind, key))
    plant.do(stop_containment, containment=containment)
    assert set(Hold.objects.values_list("target_kind", "target_key")) == {("container", "ONE")}


def test_a_second_stop_adds_only_what_is_new() -> None:
    alarm = Alarm()
    alarm.stop()
    before = Hold.objects.count()
    assert alarm.stop(32).number == 2
    assert Hold.objects.count() == before
    (board,) = alarm.plant.boards()
    alarm.plant.do(load_feed, 33, feed=alarm.plant.slot_r, container=alarm.good)
    alarm.plant.run(board, alarm.plant.insertion, 34, 35)
    alarm.do(add_term, 36, joined="any", told=Told("container", "GOOD"))
    alarm.stop(37)
    assert alarm.held() >= {"lot LOT-GOOD", "container GOOD", *alarm.named(board, alarm.clean, alarm.free)}
    assert Hold.objects.filter(target_key=alarm.blurred.key).count() == 1


def test_a_hold_of_somebody_else_is_left_alone() -> None:
    alarm = Alarm()
    (other,) = alarm.plant.do(place_holds, 30, targets=[alarm.third], reason="a scratch")
    alarm.stop()
    assert alarm.named(alarm.third) <= alarm.held()
    alarm.plant.do(release_hold, 40, hold=other, reason="polished")
    refused(alarm.plant, "held", fit_child, unit=alarm.plant.products()[0], designator="M1", child=alarm.third)


def test_what_it_holds_is_released_nowhere_else() -> None:
    alarm = Alarm()
    alarm.stop()
    hold = Hold.objects.get(target_key=alarm.third.key)
    refusal = refused(alarm.plant, "hold-refused", release_hold, hold=hold, reason="I know better")
    assert "CM-00001" in refusal.message


def test_nothing_is_stopped_of_a_containment_that_suspects_nothing() -> None:
    plant = Plant()
    containment = plant.do(open_containment, problem="drift")
    refused(plant, "containment-refused", stop_containment, containment=containment)


# Feeds that go on giving it ----------------------------------------------------------------------------------------


def test_a_bath_that_it_is_in_is_held_until_it_is_dumped_and_cleaned() -> None:
    alarm = Alarm()
    plant = alarm.plant
    bath = plant.do(define_feed, 1, key="BATH", station=plant.test, kind="bath")
    setup = plant.do(start_setup, 1, key="SOLDER", station=plant.test, assembly=plant.board, feeds={"R1": bath})
    assert setup
    plant.do(charge_bath, 26, feed=bath, container=alarm.bad)
    alarm.stop()
    assert "feed BATH" in alarm.held()
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 40, 41)
    refusal = refused(plant, "stopped", start_pass, unit=board, station=plant.test)
    assert f"Feed BATH {STOPPED}" in refusal.message
    release = {"containment": alarm.containment, "things": [bath], "reason": "clean"}
    refused(plant, "not-settled", release_contained, **release)
    plant.do(dump_bath, 51, feed=bath)
    plant.do(charge_bath, 52, feed=bath, container=alarm.good)
    refused(plant, "stopped", start_pass, unit=board, station=plant.test)
    refused(plant, "not-settled", release_contained, **release)  # a heel of it is left
    plant.do(dump_bath, 53, feed=bath, cleaned=True)
    plant.do(charge_bath, 54, feed=bath, container=alarm.good)
    assert "feed BATH" not in alarm.release(bath, minute=55)
    assert plant.do(start_pass, 56, unit=board, station=plant.test)


def test_a_place_with_unknown_material_can_be_loaded_and_gives_nothing_before_it_is_released() -> None:
    alarm = Alarm()
    plant = alarm.plant
    plant.do(clear_feed, 28, feed=plant.slot_r)
    alarm.stop()
    assert "feed SLOT-R" in alarm.held()
    (board,) = plant.boards()
    refusal = refused(plant, "stopped", start_pass, unit=board, station=plant.insertion)
    assert f"Feed SLOT-R {STOPPED}" in refusal.message
    plant.do(load_feed, 50, feed=plant.slot_r, container=alarm.good)
    refused(plant, "stopped", start_pass, unit=board, station=plant.insertion)
    assert "feed SLOT-R" not in alarm.release(plant.slot_r)
    assert plant.do(start_pass, 55, unit=board, station=plant.insertion)
