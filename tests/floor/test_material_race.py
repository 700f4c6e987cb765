"""Two people handle the same material at once: what can be done once is done once, and the other is told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.factories import Plant, candidates_at, ticks
from tests.floor.sequencer import Sequencer
from tests.material.inspecting import EVERY, inspected, planned, waiting
from tests.racing import race
from trace.core.clock import OPEN
from trace.floor.operations.bags import open_bag
from trace.floor.operations.calls import call_material, deliver_call, issue_container
from trace.floor.operations.feeds import fill_by_hand, load_feed
from trace.floor.operations.mounting import mount_tape
from trace.floor.operations.stores import merge_containers, split_container
from trace.floor.operations.tapes import load_head, record_empty, resume_tape, stop_tape
from trace.material.models import (
    BagRecord,
    Call,
    Container,
    Derivation,
    EmptyPlace,
    FeedRecord,
    Lot,
    Mount,
    Tape,
    TapeStop,
)
from trace.material.operations.inspection import reject_lot, release_lot
from trace.material.operations.setups import abort_tape, define_feed, finish_tape, start_tape

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.parametrize("round", range(2))]


def doing(plant: Plant, operation: Any, minute: float = 10, **told: Any) -> Callable[[], object]:
    return lambda: plant.do(operation, minute, **told)


def test_a_container_hangs_on_one_of_two_feeds(round: int) -> None:
    plant = Plant()
    reel, other = plant.reel("RA"), plant.slot_r
    second = plant.do(define_feed, key="SLOT-X", station=plant.insertion)
    assert (
        race(
            doing(plant, load_feed, 10, feed=other, container=reel),
            doing(plant, load_feed, 11, feed=second, container=reel),
        )
        == []
    )
    assert "RA" in candidates_at(other, ticks(10.5))
    assert candidates_at(other, ticks(20)) == {None} and candidates_at(second, ticks(20)) == {"RA"}


def test_a_container_is_split_while_it_is_loaded(round: int) -> None:
    plant = Plant()
    reel = plant.reel("RA", quantity=100)
    assert (
        race(
            doing(plant, load_feed, 10, feed=plant.slot_r, container=reel),
            doing(plant, split_container, 11, source=reel, key="S1"),
        )
        == []
    )
    assert Derivation.objects.get(result__key="S1").source == reel
    acts = FeedRecord.objects.filter(superseded=None).order_by("happened").values_list("act", flat=True)
    assert list(acts) == [FeedRecord.Act.LOAD, FeedRecord.Act.SEEN_AWAY]
    assert None in candidates_at(plant.slot_r, ticks(20))


def test_two_containers_are_poured_into_each_other(round: int) -> None:
    plant = Plant()
    one, two = plant.reel("RA", lot="L1"), plant.reel("RB", lot="L2")
    assert (
        race(
            doing(plant, merge_containers, sources=[one], into=two),
            doing(plant, merge_containers, sources=[two], into=one),
        )
        == []
    )
    assert set(Derivation.objects.values_list("source__key", "result__key")) == {("RA", "RB"), ("RB", "RA")}


def test_a_lot_is_released_or_rejected_once(round: int) -> None:
    plant = Plant()
    planned(plant, EVERY)
    lot = waiting(plant, "K1", 100)
    inspected(plant, lot, ("K1-1", 100, 0))
    assert race(*[doing(plant, release_lot, lot=lot, evidence="good")] * 2) == ["status-refused"]
    assert lot.statuses.filter(status=Lot.Status.RELEASED).count() == 1
    assert race(*[doing(plant, reject_lot, 11, lot=lot, evidence="oxidised")] * 2) == ["status-refused"]


def test_what_is_mixed_of_a_lot_while_it_is_rejected_is_refused_or_quarantined(round: int) -> None:
    plant = Plant()
    bad, good = plant.reel("RA"), plant.reel("RB")
    refused = race(
        doing(plant, merge_containers, 10, sources=[bad, good], key="M1"),
        doing(plant, reject_lot, 10, lot=bad.lot, evidence="oxidised"),
    )
    mixed = Container.objects.filter(key="M1").select_related("lot").first()
    assert refused == (["lot-not-released"] if mixed is None else [])
    assert mixed is None or mixed.lot.status == Lot.Status.QUARANTINED


def test_a_call_is_made_answered_and_delivered_once(round: int) -> None:
    plant = Plant()
    told = {"station": plant.insertion, "part": plant.resistor}
    assert race(*[doing(plant, call_material, **told)] * 2) == ["call-refused"]
    call, reel = Call.objects.get(), plant.reel("RA")
    assert race(*(doing(plant, issue_container, 11, call=call, container=one) for one in (reel, plant.reel("RB")))) == [
        "call-refused"
    ]
    assert race(*[doing(plant, deliver_call, 12, call=Call.objects.get())] * 2) == ["call-refused"]


def test_a_container_is_on_its_way_for_one_call(round: int) -> None:
    plant = Plant()
    reel = plant.reel("RA")
    calls = [plant.do(call_material, station=at, part=plant.resistor) for at in (plant.insertion, plant.test)]
    assert race(*(doing(plant, issue_container, 11, call=call, container=reel) for call in calls)) == ["call-refused"]


def test_a_dry_pack_is_opened_once(round: int) -> None:
    plant = Plant()
    plant.resistor.moisture_level = "3"
    plant.resistor.save()
    reel = plant.reel("RA")
    assert race(*[doing(plant, open_bag, container=reel)] * 2) == ["bag-refused"]
    assert BagRecord.objects.count() == 1


def test_a_tape_is_begun_run_stopped_and_ended_once(round: int) -> None:
    it = Sequencer()
    again = {"key": "T2", "assembly": it.plant.board, "sequence": ["R1"], "heads": {"A": (0, ["R1"])}, "board_sets": 5}
    assert race(*[doing(it.plant, start_tape, **again)] * 2) == ["key-in-use"]
    tape = {"tape": it.tape}
    assert race(*[doing(it.plant, resume_tape, 2, **tape)] * 2) == ["tape-refused"]
    assert race(*[doing(it.plant, stop_tape, 9, **tape, board_set=8, reason="run out")] * 2) == ["tape-refused"]
    assert TapeStop.objects.filter(tape=it.tape).count() == 2
    ends = doing(it.plant, finish_tape, 12, **tape, board_sets=8), doing(it.plant, abort_tape, 12, **tape, board_sets=8,
                                                                        reason="torn")  # fmt: skip
    assert race(*ends) == ["setup-refused"]
    assert not TapeStop.objects.filter(tape=it.tape, until=OPEN).exists()


def test_a_place_is_found_empty_once_and_no_tape_ends_with_it_empty(round: int) -> None:
    it = Sequencer(run=True)
    place = {"feed": it.a, "designator": "R1", "board_set": 4}
    assert race(*[doing(it.plant, record_empty, 5, **place)] * 2) == ["tape-refused"]
    it.plant.do(fill_by_hand, 6, feed=it.a, container=it.plant.reel("RB"), board_set=4)
    refused = race(
        doing(it.plant, record_empty, 7, **{**place, "board_set": 6}),
        doing(it.plant, finish_tape, 7, tape=it.tape, board_sets=20),
    )
    ended = Tape.objects.get(pk=it.tape.pk).built_until < OPEN
    assert refused == (["tape-refused"] if ended else ["setup-refused"])
    assert EmptyPlace.objects.count() == (1 if ended else 2)


def test_a_reel_goes_on_one_of_two_heads(round: int) -> None:
    it = Sequencer(load=False)
    assert race(*[doing(it.plant, load_head, 1, feed=it.a, container=it.resistors)] * 2) == []
    assert candidates_at(it.a, 3) == {"RA"}
    it.do(load_head, 1, feed=it.b, container=it.capacitors)
    assert race(*[doing(it.plant, resume_tape, 2, tape=it.tape)] * 2) == ["tape-refused"]


def test_a_tape_is_mounted_once(round: int) -> None:
    it = Sequencer(run=True)
    tape = it.finish()
    told = {"tape": tape, "station": it.plant.insertion, "assembly": it.plant.board, "board_set": 0}
    assert race(*[doing(it.plant, mount_tape, 40, **told)] * 2) == ["mount-refused"]
    assert Mount.objects.count() == 1
