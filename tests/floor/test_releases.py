"""Lots before their release: refused wherever they would be used, unless a deviation lets them by; found again."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.approvals.signing import deviation
from tests.factories import Plant, make_part, make_person, moment, ticks
from tests.material.inspecting import box, inspected, planned, waiting
from tests.refusals import refused
from trace.core.permissions import Role
from trace.engineering.models import ScanMode
from trace.floor.models import Fitting
from trace.floor.operations.deviations import open_deviation
from trace.floor.operations.feeds import (
    charge_bath,
    fill_by_hand,
    find_on_feed,
    load_feed,
    splice_feed,
    take_off_feed,
    top_up_feed,
)
from trace.floor.operations.fittings import fit_part
from trace.floor.operations.passes import record_passes, start_pass
from trace.floor.operations.stores import make_batch, merge_containers, split_container
from trace.floor.releases import check_released, list_early_uses
from trace.ledger.models import Event
from trace.material.models import Feed, Lot
from trace.material.operations.inspection import reject_lot, release_lot
from trace.material.operations.setups import define_feed, start_tape

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> Plant:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    planned(plant)
    return plant


def early(plant: Plant, key: str = "DEV-1", **fields: Any) -> Any:
    told = {"rules": ["lot-not-released"], "scope": ["lot:K1"], "reason": "The line stands.", **fields}
    return deviation(plant, key=key, **told)


def released(plant: Plant, lot: Lot, minute: float = 50) -> None:
    inspected(plant, lot, *((one.key, int(one.quantity or 0), 0) for one in lot.containers.all()), minute=minute)
    plant.do(release_lot, minute, lot=lot, evidence="Nothing found.")


# Refused -------------------------------------------------------------------------------------------------------------


def test_a_quarantined_lot_goes_onto_no_feed_and_into_no_unit(plant: Plant) -> None:
    waiting(plant)
    (board,) = plant.boards()
    bath = plant.do(define_feed, key="BATH", station=plant.insertion, kind=Feed.Kind.BATH)
    told: dict[str, Any] = {"container": box("K1-1")}
    on = {**told, "feed": plant.slot_r}
    refusal = refused(plant, "lot-not-released", load_feed, 5, **on)
    assert refusal.message == "Lot K1 is quarantined." and "deviation" in refusal.action
    refused(plant, "lot-not-released", splice_feed, 5, **on, lead=5, tolerance=0)
    refused(plant, "lot-not-released", top_up_feed, 5, **on)
    refused(plant, "lot-not-released", charge_bath, 5, **told, feed=bath)
    refused(plant, "lot-not-released", fit_part, 5, **told, unit=board, designator="R1", reason="x")
    tape = plant.do(
        start_tape, key="TP", assembly=plant.board, sequence=["R1", "R2"], heads={"RES": (1, ["R1", "R2"])},
        board_sets=5,
    )  # fmt: skip
    head = Feed.objects.get(axis__tape=tape)
    refused(plant, "lot-not-released", load_feed, 5, **told, feed=head, position=(0, 0))
    refused(plant, "lot-not-released", fill_by_hand, 5, **told, feed=head, board_set=1)


def test_a_rejected_lot_neither(plant: Plant) -> None:
    lot = waiting(plant)
    plant.do(reject_lot, 2, lot=lot, evidence="Wrong marking.")
    assert refused(plant, "lot-not-released", load_feed, 5, feed=plant.slot_r, container=box("K1-1")).message == (
        "Lot K1 is rejected."
    )


def test_what_counts_is_when_it_was_loaded_not_when_that_was_entered(plant: Plant) -> None:
    lot = waiting(plant)
    released(plant, lot, 10)
    refused(plant, "lot-not-released", load_feed, 9, feed=plant.slot_r, container=box("K1-1"))
    plant.do(load_feed, 10, feed=plant.slot_r, container=box("K1-1"))
    plant.do(reject_lot, 20, lot=lot, evidence="The supplier called it back.")
    plant.do(load_feed, 19, feed=plant.slot_c, container=plant.reel("CAP", plant.capacitor))
    plant.do(split_container, 21, source=box("K1-2"), key="K1-3")
    refused(plant, "lot-not-released", load_feed, 22, feed=plant.slot_r, container=box("K1-3"))


def test_nothing_is_mixed_with_what_is_not_released(plant: Plant) -> None:
    """Else a new lot number would hide it."""
    waiting(plant)
    waiting(plant, "C1", part=plant.capacitor)  # has no plan: released
    good = plant.reel("CAP", plant.capacitor)
    mixture = make_part("MIX")
    refused(plant, "lot-not-released", make_batch, 5, key="B1", part=mixture, sources=[good, box("K1-1")])
    other = waiting(plant, "K2")
    released(plant, other, 4)
    for told in ({"key": "M1"}, {"into": box("K2-1")}):
        sources = [box("K1-1")] if "into" in told else [box("K1-1"), box("K2-1")]
        refused(plant, "lot-not-released", merge_containers, 5, sources=sources, **told)
    merged = plant.do(merge_containers, 5, sources=[box("K1-1"), box("K1-2")], key="M1")
    assert merged.lot.key == "K1"  # still quarantined


def test_what_is_mixed_under_a_deviation_is_quarantined_too(plant: Plant) -> None:
    waiting(plant)
    other = waiting(plant, "K2")
    released(plant, other, 4)
    early(plant)
    merged = plant.do(merge_containers, 5, sources=[box("K1-1"), box("K2-1")], key="M1")
    (row,) = merged.lot.statuses.all()
    assert (merged.lot.status, row.since, row.evidence) == (
        "quarantined", ticks(5), "holds what is not released: K1",
    )  # fmt: skip


# At a station --------------------------------------------------------------------------------------------------------


def test_a_lot_rejected_on_its_feed_stops_the_next_unit_there(plant: Plant) -> None:
    lot = waiting(plant)
    released(plant, lot, 5)
    plant.do(load_feed, 6, feed=plant.slot_r, container=box("K1-1"))
    first, second = plant.boards(2)
    (entry,) = plant.do(record_passes, 10, units=[first], station=plant.insertion)
    assert entry.outcome == "passed"
    plant.do(reject_lot, 11, lot=lot, evidence="The supplier called it back.")
    refusal = refused(plant, "stopped", start_pass, 12, unit=second, station=plant.insertion)
    assert refusal.message == "Stop. Lot K1 is rejected on a feed here."
    (entry,) = plant.do(record_passes, 12, units=[second], station=plant.insertion)
    assert entry.outcome == "aborted"  # what it drew is on record


def test_a_unit_scanned_before_the_rejection_and_entered_after_it_passes(plant: Plant) -> None:
    lot = waiting(plant)
    released(plant, lot, 5)
    plant.do(load_feed, 6, feed=plant.slot_r, container=box("K1-1"))
    plant.do(reject_lot, 11, lot=lot, evidence="The supplier called it back.")
    (entry,) = plant.do(record_passes, 10, units=plant.boards(), station=plant.insertion)
    assert entry.outcome == "passed"


# Under a deviation ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scope", [["lot:K1"], ["part:RES"], ["lot:K1", "part:RES", "station:INSERT"]])
def test_it_is_used_early_under_a_deviation_for_the_lot_or_its_part_and_found_again(
    plant: Plant, scope: list[str]
) -> None:
    lot = waiting(plant)
    it = early(plant, scope=scope, most=2)
    record = plant.do(load_feed, 5, feed=plant.slot_r, container=box("K1-1"))
    assert record.deviation == it
    told = json.loads(Event.objects.get(verb="load_feed").payload)["facts"]["used_early"]
    assert told == ["lot-not-released", "DEV-1", "Lot K1 is quarantined."]
    plant.do(load_feed, 5, feed=plant.slot_c, container=plant.reel("CAP", plant.capacitor))
    boards = plant.boards(3)
    for minute, board in enumerate(boards[:2], 10):
        (entry,) = plant.do(record_passes, minute, units=[board], station=plant.insertion)
        assert entry.outcome == "passed"
    (entry,) = plant.do(record_passes, 13, units=boards[2:], station=plant.insertion)
    assert entry.outcome == "aborted"  # it was for two units
    released(plant, lot, 50)
    (found,) = list_early_uses()
    assert (found.container.key, found.lot.key, found.status, found.deviation, found.at, found.feed) == (
        "K1-1", "K1", "quarantined", it, ticks(5), plant.slot_r,
    )  # fmt: skip


def test_a_part_fitted_early_makes_use_of_a_deviation(plant: Plant) -> None:
    lot = waiting(plant)
    it = early(plant, most=1)
    first, second = plant.boards(2)
    fit = {"designator": "R1", "container": box("K1-1"), "reason": "Drifted."}
    fitting = plant.do(fit_part, 5, unit=first, **fit)
    it.refresh_from_db()
    assert (fitting.deviation, it.used) == (it, 1)
    refused(plant, "lot-not-released", fit_part, 6, unit=second, **fit)
    released(plant, lot, 7)
    plant.do(fit_part, 8, unit=second, **fit)
    assert [(use.unit, use.deviation, use.at) for use in list_early_uses()] == [(first, it, ticks(5))]


def test_a_part_from_a_bin_is_judged_by_what_the_bin_may_give(plant: Plant) -> None:
    waiting(plant)
    it = early(plant, most=3)
    plant.do(load_feed, 5, feed=plant.slot_r, container=box("K1-1"))
    (board,) = plant.boards()
    fitting = plant.do(fit_part, 6, unit=board, designator="R1", feed=plant.slot_r, reason="Drifted.")
    assert fitting.deviation == it and fitting.holds == Fitting.Holds.FEED
    late = {"unit": board, "designator": "R2", "feed": plant.slot_r, "reason": "Drifted."}
    refused(plant, "lot-not-released", fit_part, 700, **late)  # it has expired by then


@pytest.mark.parametrize(
    "fields",
    [
        {"scope": ["lot:K2"]},
        {"scope": ["part:CAP"]},
        {"scope": ["lot:K1", "station:TEST"]},
        {"rules": ["expired"], "scope": ["lot:K1"]},
        {"approved": None},
        {"expires": moment(4)},
    ],
)
def test_outside_its_scope_and_time_it_lets_nothing_by(plant: Plant, fields: dict[str, Any]) -> None:
    waiting(plant)
    waiting(plant, "K2")
    early(plant, **fields)
    refused(plant, "lot-not-released", load_feed, 5, feed=plant.slot_r, container=box("K1-1"))


def test_a_deviation_from_it_is_limited_to_a_lot_a_part_or_a_station(plant: Plant) -> None:
    told = {"key": "DEV-9", "rules": ["lot-not-released"], "reason": "x", "expires": moment(99), "most": 1}
    refused(plant, "deviation-refused", open_deviation, **told, scope=["step:10"])
    plant.do(open_deviation, **told, scope=["station:INSERT"], by=make_person("SUE", roles=[Role.SUPERVISOR]))


def test_what_is_found_on_a_feed_is_recorded_and_found_again(plant: Plant) -> None:
    waiting(plant)
    plant.do(find_on_feed, 5, feed=plant.slot_r, container=box("K1-1"))
    assert '"found_though":"lot-not-released"' in Event.objects.latest("id").payload.replace('": "', '":"')
    early(plant)
    plant.do(find_on_feed, 6, feed=plant.slot_r, container=box("K1-2"))
    assert [(use.container.key, use.deviation and use.deviation.key) for use in list_early_uses()] == [
        ("K1-2", "DEV-1"), ("K1-1", None),
    ]  # fmt: skip


def test_what_came_off_a_feed_is_quarantined_with_what_is_not_released(plant: Plant) -> None:
    waiting(plant)
    early(plant)
    other = waiting(plant, "K2")
    released(plant, other, 4)
    plant.do(load_feed, 5, feed=plant.slot_r, container=box("K2-1"))
    plant.do(top_up_feed, 6, feed=plant.slot_r, container=box("K1-1"))
    refusal = refused(plant, "wrong-label", take_off_feed, 7, feed=plant.slot_r, into=box("K2-2"))
    assert refusal.message == "Lot K1 is not released, and K2-2 is of another."
    rest = plant.do(take_off_feed, 7, feed=plant.slot_r, label="REST")
    assert rest.lot.status == "quarantined"


# It stays the same number of queries ---------------------------------------------------------------------------------


def test_a_released_lot_costs_no_query(plant: Plant, django_assert_num_queries: Any) -> None:
    lot = waiting(plant)
    released(plant, lot, 5)
    lot = Lot.objects.select_related("part").get(pk=lot.pk)
    with django_assert_num_queries(0):
        assert check_released([lot], moment(6)) is None
