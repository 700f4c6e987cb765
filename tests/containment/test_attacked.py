"""Attacks on a stop: ways in which something suspect moved, or was let go, without a decision on it."""

from __future__ import annotations

import pytest

from tests.approvals.signing import quality, sign_as
from tests.containment.alarm import Alarm
from tests.factories import moment, ticks
from tests.floor.sequencer import Sequencer
from tests.refusals import refused
from trace.containment.narrowed import list_wording
from trace.containment.operations.alarms import add_term, open_containment, remove_term
from trace.containment.operations.stop import release_contained, stop_containment
from trace.containment.progress import summarise_progress
from trace.containment.terms import Told
from trace.core.clock import telling
from trace.floor.models import Carton, Shipment
from trace.floor.operations.counting import rereel_container
from trace.floor.operations.dispatch import load_shipment, recall_shipment, send_shipment
from trace.floor.operations.feeds import load_feed, take_off_feed, top_up_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.stores import make_batch, merge_containers, split_container
from trace.floor.operations.tapes import load_head, resume_tape
from trace.holds.gate import find_holds
from trace.holds.models import Decision, Disposition
from trace.holds.operations import decide_disposition, place_holds, withdraw_disposition
from trace.holds.queries import find_state
from trace.holds.rules import Move
from trace.material.models import Container
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db


def another(alarm: Alarm, *terms: tuple[str, str]):
    """A second alarm over the same plant, stopped too."""
    with telling(moment(32)):
        second = alarm.plant.do(open_containment, 32, problem="capacitors crack")
        for kind, key in terms:
            alarm.plant.do(add_term, 32, containment=second, joined="any", told=Told(kind, key))
        alarm.plant.do(stop_containment, 32, containment=second)
    return second


# Two alarms over one unit --------------------------------------------------------------------------------------------


def test_what_is_decided_for_one_alarm_settles_nothing_of_another() -> None:
    alarm = Alarm()
    alarm.stop()
    second = another(alarm, ("container", "CAPS"))
    use = alarm.decide(35, things=[alarm.third], decision="use as is")
    assert {hold.under for hold in find_holds(Move.SHIP, [alarm.third])} == {second.key}
    told = {"things": [alarm.third], "reason": "fine"}
    refused(alarm.plant, "not-settled", release_contained, containment=second, **told)
    assert alarm.named(alarm.third).isdisjoint(alarm.release(alarm.third))
    assert find_holds(Move.START, [alarm.third])  # the other still holds it
    # What is decided for the other neither overtakes the first nor says how far that is.
    with telling(moment(55)):
        alarm.decide(55, containment=second, things=[alarm.third, alarm.second], decision="scrap")
    assert find_state(use) == "in force"
    assert summarise_progress(alarm.containment).groups["certain"].decided == 1
    assert summarise_progress(second).groups["certain"].decided == 2


def test_what_is_decided_for_an_alarm_lets_nothing_by_that_somebody_else_holds() -> None:
    alarm = Alarm()
    alarm.stop()
    with telling(moment(32)):
        alarm.plant.do(place_holds, 32, targets=[alarm.third], reason="a scratch")
    alarm.decide(35, things=[alarm.third], decision="use as is")
    (left,) = find_holds(Move.SHIP, [alarm.third])
    assert left.reason == "a scratch"
    # What is decided of the unit itself is decided of whatever it is held for.
    with telling(moment(36)):
        told = {"subject": alarm.third, "decision": Decision.USE_AS_IS, "reason": "both looked at"}
        direct = alarm.plant.do(decide_disposition, 36, key="D-BOTH", **told)
    sign_as(quality(), direct, 37)
    assert find_holds(Move.SHIP, [alarm.third]) == []


# What comes of what is held, by a disposition that permits it ---------------------------------------------------------


def reels() -> tuple[Alarm, Container]:
    """Only one reel of its lot is suspect, and to be sorted."""
    alarm = Alarm()
    plant = alarm.plant
    plant.lot("LOT-TWO", containers=[("SUSPECT", None), ("OTHER", None)])
    alarm.do(add_term, 30, joined="any", told=Told("container", "SUSPECT"))
    alarm.stop()
    suspect = Container.objects.select_related("lot", "part").get(key="SUSPECT")
    assert "container SUSPECT" in alarm.held() and "lot LOT-TWO" not in alarm.held()
    alarm.decide(35, things=[suspect], decision="sort")
    return alarm, suspect


@pytest.mark.parametrize(
    ("operation", "told"),
    [
        (split_container, lambda one, _: {"source": one, "key": "NEW"}),
        (rereel_container, lambda one, _: {"source": one, "key": "NEW"}),
        (merge_containers, lambda one, _: {"sources": [one], "key": "NEW"}),
        (merge_containers, lambda one, other: {"sources": [one], "into": other}),
        (make_batch, lambda one, _: {"sources": [one], "key": "NEW", "part": one.part}),
    ],
)
def test_what_is_filled_from_a_held_container_is_held_as_that_is(operation, told) -> None:
    alarm, suspect = reels()
    other = Container.objects.select_related("lot", "part").get(key="OTHER")
    with telling(moment(40)):
        result = alarm.plant.do(operation, 40, **told(suspect, other))
    assert f"container {result.key}" in alarm.held()
    refused(alarm.plant, "held", load_feed, feed=alarm.plant.slot_r, container=result)
    told_release = {"containment": alarm.containment, "things": [result], "reason": "sorted"}
    refused(alarm.plant, "not-settled", release_contained, **told_release)


def test_what_comes_out_of_a_held_bin_is_held_though_its_container_left_before_the_stop() -> None:
    alarm, plant = (alarm := Alarm()), alarm.plant
    bin_ = plant.do(define_feed, 1, key="BIN", station=plant.insertion, kind="bin")
    plant.lot("LOT-TWO", containers=[("SUSPECT", None), ("OTHER", None)])
    suspect = Container.objects.select_related("lot", "part").get(key="SUSPECT")
    plant.do(top_up_feed, 26, feed=bin_, container=suspect)
    plant.do(load_feed, 27, feed=plant.slot_r, container=suspect)
    plant.do(load_feed, 28, feed=plant.slot_r, container=alarm.good)
    plant.do(discard_container, 29, container=suspect, reason="empty")
    alarm.do(add_term, 30, joined="any", told=Told("container", "SUSPECT"))
    alarm.stop()
    assert "feed BIN" in alarm.held() and "container SUSPECT" not in alarm.held()
    refused(plant, "wrong-label", take_off_feed, feed=bin_, into=alarm.good)
    with telling(moment(40)):
        rest = plant.do(take_off_feed, 40, feed=bin_, label="REST")
    assert "container REST" in alarm.held()
    refused(plant, "held", load_feed, feed=plant.slot_r, container=rest)  # the bin may be filled, this goes nowhere


def test_a_part_kept_out_of_a_held_unit_is_held() -> None:
    alarm = Alarm()
    plant = alarm.plant
    plant.lot("LOT-TWO", containers=[("SUSPECT", None), ("OTHER", None)])
    suspect = Container.objects.select_related("lot", "part").get(key="SUSPECT")
    (board,) = plant.boards()
    plant.do(load_feed, 26, feed=plant.slot_r, container=suspect)
    plant.run(board, plant.insertion, 27, 28)
    plant.do(load_feed, 28, feed=plant.slot_r, container=alarm.good)  # SUSPECT is used up
    alarm.do(add_term, 30, joined="any", told=Told("container", "SUSPECT"))
    alarm.stop()
    assert "container SUSPECT" not in alarm.held() and alarm.named(board) <= alarm.held()
    alarm.decide(35, things=[board], decision="rework")
    removal = {"unit": board, "designator": "R1", "reason": "suspect"}
    refused(plant, "wrong-label", remove_part, into=alarm.good, **removal)
    with telling(moment(40)):
        plant.do(remove_part, 40, salvage="KEPT", **removal)
    kept = Container.objects.select_related("lot", "part").get(key="KEPT")
    assert "container KEPT" in alarm.held()
    refused(plant, "held", fit_part, unit=plant.boards()[0], designator="R1", container=kept, reason="reused")
    # Two parts of one that is scrapped go into one bag.
    with telling(moment(45)):
        alarm.decide(45, things=[alarm.third], decision="scrap")
        plant.do(scrap_unit, 46, unit=alarm.third, reason="suspect", salvage={"R1": "BAG", "R2": "BAG"})
    assert "container BAG" in alarm.held()


def test_what_is_clean_out_of_a_held_unit_may_go_at_once() -> None:
    alarm = Alarm()
    alarm.stop()
    alarm.decide(35, things=[alarm.third], decision="rework")
    with telling(moment(40)):
        alarm.plant.do(remove_part, 40, unit=alarm.third, designator="C1", reason="cracked", salvage="CAP-OUT")
    assert "container CAP-OUT" in alarm.held()
    cap = Container.objects.get(key="CAP-OUT")
    assert "container CAP-OUT" not in alarm.release(cap)


def test_no_part_is_taken_off_a_held_tape_by_hand() -> None:
    it = Sequencer(load=False)
    plant = it.plant
    plant.lot("LOT-TWO", containers=[("SUSPECT", None), ("OTHER", None)])
    suspect = Container.objects.select_related("lot", "part").get(key="SUSPECT")
    it.do(load_head, 1, feed=it.a, container=suspect)
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    it.do(resume_tape, 2)
    it.finish(20)
    plant.do(take_off_feed, 21, feed=it.a, position=(20, 20))
    plant.do(discard_container, 22, container=suspect, reason="the rest was thrown away")
    (board,) = plant.boards()
    containment = plant.do(open_containment, 30, problem="drift")
    plant.do(add_term, 30, containment=containment, joined="any", told=Told("container", "SUSPECT"))
    with telling(moment(31)):
        plant.do(stop_containment, 31, containment=containment)
    told = {"unit": board, "designator": "R1", "feed": it.a, "position": (3, 3), "reason": "missing"}
    refusal = refused(plant, "held", fit_part, **told)
    assert "Tape T1 is held" in refusal.message


# Let go without a decision -------------------------------------------------------------------------------------------


def test_a_suspect_lot_that_is_used_up_is_released_by_a_decision_only() -> None:
    """More of it may come: a reel that was in the supplier's van, a second delivery."""
    alarm = Alarm()
    alarm.stop()
    told = {"containment": alarm.containment, "things": [alarm.bad.lot], "reason": "nothing is left"}
    refusal = refused(alarm.plant, "not-settled", release_contained, **told)
    assert refusal.message == "Lot LOT-BAD is suspect still, and no disposition counts of it."
    more = alarm.plant.reel("MORE", lot="LOT-BAD", minute=51)
    refused(alarm.plant, "held", load_feed, 52, feed=alarm.plant.slot_r, container=more)
    alarm.decide(54, things=[alarm.bad.lot], decision="scrap")
    alarm.plant.do(discard_container, 55, container=more, reason="suspect")
    assert "lot LOT-BAD" not in alarm.release(minute=56)


def test_a_child_of_a_scrapped_unit_is_not_released_with_that() -> None:
    alarm = Alarm()
    plant = alarm.plant
    (product,) = plant.products()
    plant.do(fit_child, 29, unit=product, designator="M1", child=alarm.third)
    alarm.stop()
    alarm.decide(35, things=[product, alarm.third], decision="scrap")
    plant.do(scrap_unit, 40, unit=product, reason="suspect")
    plant.do(withdraw_disposition, 41, disposition=Disposition.objects.get(), reason="the board is looked at first")
    assert alarm.named(alarm.third) <= alarm.release(minute=45) and alarm.named(product).isdisjoint(alarm.held())
    refused(plant, "held", remove_part, unit=product, designator="M1", reason="kept")
    alarm.decide(55, things=[alarm.third], decision="scrap")
    assert alarm.named(alarm.third).isdisjoint(alarm.release(minute=56))


# What a stop took for gone -------------------------------------------------------------------------------------------


def test_what_a_stop_took_for_gone_is_held_when_its_shipment_is_recalled() -> None:
    alarm = Alarm()
    plant = alarm.plant
    clean = plant.carton([alarm.free], 26, "CT-9")
    sent = plant.do(load_shipment, 27, shipment="CLEAN", customer=alarm.customer, cartons=[clean])
    with telling(moment(28)):
        plant.do(send_shipment, 28, shipment=sent)
        gone = Shipment.objects.get(key="SENT")
        Shipment.objects.filter(pk=gone.pk).update(departure_recorded=ticks(21))
    alarm.stop()
    assert alarm.named(alarm.gone).isdisjoint(alarm.held())
    with telling(moment(40)):
        plant.do(recall_shipment, 40, shipment=gone, reason="it stood on the dock")
        plant.do(recall_shipment, 40, shipment=sent, reason="so did that")
    assert alarm.held() >= {"carton CT-1", "carton CT-9", *alarm.named(alarm.gone, alarm.first, alarm.free)}
    told = {"shipment": "AGAIN", "customer": alarm.customer}
    refused(plant, "held", load_shipment, cartons=[Carton.objects.get(key="CT-1")], **told)
    # What is clean of it goes at once, and what is not goes by a decision only.
    assert {"carton CT-9", *alarm.named(alarm.free, alarm.clean)}.isdisjoint(held := alarm.release(minute=51))
    assert held >= {"carton CT-1", *alarm.named(alarm.gone, alarm.first)}
    plant.do(load_shipment, 52, cartons=[clean], **told)


def test_a_shipment_that_is_recalled_before_anything_is_stopped_is_held_by_nothing() -> None:
    alarm = Alarm()
    sent = Shipment.objects.get(key="SENT")
    with telling(moment(29)):
        alarm.plant.do(recall_shipment, 29, shipment=sent, reason="it stood on the dock")
    assert alarm.held() == set()
    alarm.stop()
    assert alarm.held() >= {"carton CT-1", *alarm.named(alarm.gone, alarm.first)}


@pytest.mark.parametrize("how", ["removed", "excepted"])
def test_what_a_narrower_suspicion_leaves_out_goes_only_with_another_ones_approval(how: str) -> None:
    """Else one person alone lets suspect product go, by wording it away."""
    alarm = Alarm()
    alarm.stop()
    before = alarm.held()
    with telling(moment(40)):
        if how == "removed":
            alarm.plant.do(remove_term, 40, term=alarm.containment.terms.get(), reason="the supplier says it is good")
        else:
            alarm.do(add_term, joined="except", told=Told("lot", "LOT-BAD"))
        assert list_wording(alarm.containment) == {alarm.plant.ann.pk}
        message = refused(
            alarm.plant, "not-settled", release_contained, 41, containment=alarm.containment, things=[alarm.third],
            reason="no longer suspect",
        ).message  # fmt: skip
        assert "no other quality engineer has approved CM-00001" in message
        refused(
            alarm.plant, "containment-refused", release_contained, 41, containment=alarm.containment, reason="all of it"
        )
    assert alarm.held() == before
    sign_as(alarm.plant.ann, alarm.containment, 42)  # who worded it
    with telling(moment(43)):
        refused(alarm.plant, "containment-refused", release_contained, 43, containment=alarm.containment, reason="all")
    sign_as(quality(), alarm.containment, 44)
    assert alarm.release() == set()
