"""Dry packs at the plant: what runs their clocks, what stops them, and what past floor life is refused.

Level 5a has 24 h (J-STD-020); minutes here count from the moment at which the first container was opened.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant, moment, ticks
from tests.refusals import refused
from trace.engineering.models import Part, ScanMode
from trace.engineering.operations import define_equipment, record_calibration, retire_equipment
from trace.floor.models import Pass
from trace.floor.operations.bags import bake_container, open_bag, seal_bag, void_bag_record
from trace.floor.operations.feeds import find_on_feed, load_feed, splice_feed, take_off_feed, top_up_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.stores import make_batch, merge_containers, split_container
from trace.holds.operations import place_holds
from trace.material.clocks import find_clock
from trace.material.floor_life import UNKNOWN
from trace.material.models import BagRecord, Container, Derivation, Feed, FeedRecord, Lot
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import discard_container, receive_lot

pytestmark = pytest.mark.django_db

LIFE = 24 * 60
"""Minutes."""
EPS = 1 / 60_000_000
"""A microsecond in minutes."""


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    for part in (plant.resistor, plant.capacitor):
        part.moisture_level = "5a"
        part.save()
        part.refresh_from_db()
    return plant


def reel(plant: Plant, key: str, **more: Any) -> Container:
    return plant.reel(key, plant.capacitor, minute=-100, **more)


def used(container: Container, minute: float) -> float:
    """How many minutes it had lain open."""
    clock = find_clock(Container.objects.select_related("part").get(pk=container.pk), ticks(minute))
    assert clock is not None
    return clock.used / 60_000_000


def oven(plant: Plant, **more: Any):
    return plant.do(define_equipment, -100, key="OVEN-1", name="Bake oven", kind="oven", **more)


def bake(plant: Plant, container: Container, minute: float, **more: Any) -> BagRecord:
    from trace.engineering.equipment import Equipment

    told = {"temperature": Decimal(125), "hours": Decimal(8), **more}
    equipment = told.pop("equipment", None) or Equipment.objects.filter(key="OVEN-1").first() or oven(plant)
    return plant.do(bake_container, minute, container=container, equipment=equipment, **told)


def test_a_clock_runs_from_opening_to_sealing_and_a_bake_sets_it_back(plant: Plant) -> None:
    caps = reel(plant, "CAPS")
    plant.do(open_bag, 0, container=caps)
    plant.do(seal_bag, 60, container=caps)
    assert [used(caps, minute) for minute in (-1, 0, 30, 60, 9000)] == [0, 0, 30, 60, 60]
    plant.do(open_bag, 600, container=caps)
    assert used(caps, 610) == 70
    bake(plant, caps, 700)
    assert [used(caps, minute) for minute in (699, 700, 705)] == [159, 0, 5]
    caps.refresh_from_db()
    assert caps.exposed == ticks(0)


def test_records_may_come_late(plant: Plant) -> None:
    caps = reel(plant, "CAPS")
    plant.do(open_bag, 600, container=caps)
    plant.do(open_bag, 0, container=caps)
    plant.do(seal_bag, 60, container=caps)
    assert used(caps, 610) == 70


def test_bags_are_refused(plant: Plant) -> None:
    caps, fuses = reel(plant, "CAPS"), plant.reel("FUSES", plant.fuse)
    for operation, container, minute in (
        (open_bag, fuses, 1),
        (seal_bag, fuses, 1),
        (seal_bag, caps, 1),
        (open_bag, caps, -101),
    ):
        refused(plant, "bag-refused", operation, minute, container=container)
    plant.do(open_bag, 1, container=caps)
    refused(plant, "bag-refused", open_bag, 2, container=caps)
    for storage in ("cabinet to 10", "a drawer"):
        refusal = refused(plant, "bag-refused", seal_bag, 2, container=caps, storage=storage)
        assert "cabinet to 5" in refusal.action and "cabinet to 10" not in refusal.action
    plant.do(seal_bag, 2, container=caps, storage="cabinet to 5")
    plant.do(discard_container, 3, container=caps, reason="dropped")
    for operation in (open_bag, seal_bag):
        refused(plant, "bag-refused", operation, 4, container=caps)


def test_a_cabinet_up_to_10_rh_stops_the_clock_of_level_3_and_no_longer_once_the_part_is_of_another(plant) -> None:
    caps = reel(plant, "CAPS")
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="3")
    plant.do(open_bag, 0, container=caps)
    plant.do(seal_bag, 60, container=caps, storage="cabinet to 10")
    assert used(caps, 600) == 60
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="4")
    assert used(caps, 600) == 600


def test_bakes_are_refused(plant: Plant) -> None:
    caps, fuses, equipment = reel(plant, "CAPS"), plant.reel("FUSES", plant.fuse), oven(plant, calibrate_every=30)
    good = {"container": caps, "equipment": equipment, "temperature": Decimal(125), "hours": Decimal(8)}
    assert "never calibrated" in refused(plant, "bag-refused", bake_container, 500, **good).message
    plant.do(record_calibration, -50, equipment=equipment, passed=True)
    for wrong in (
        {"container": fuses},
        {"temperature": Decimal("34.9")},
        {"temperature": Decimal("130.1")},
        {"temperature": Decimal("125.05")},
        {"hours": Decimal(0)},
        {"hours": Decimal(-1)},
        {"hours": Decimal("10.01")},  # it came 100 minutes before the beginning, ten hours before the bake's end
        {"hours": Decimal("1.001")},
        {"hours": Decimal(10_001)},
    ):
        refused(plant, "bag-refused", bake_container, 500, **{**good, **wrong})
    plant.do(place_holds, 400, targets=[caps.lot], reason="a doubt")
    refused(plant, "held", bake_container, 500, **good)
    other = {**good, "container": reel(plant, "MORE"), "hours": Decimal(10)}
    plant.do(bake_container, 500, **other)
    plant.do(retire_equipment, 600, equipment=equipment)
    assert "retired" in refused(plant, "bag-refused", bake_container, 700, **other).message


def test_a_wrong_record_is_voided(plant: Plant) -> None:
    caps = reel(plant, "CAPS")
    plant.do(open_bag, 0, container=caps)
    sealed = plant.do(seal_bag, 60, container=caps)
    refused(plant, "correction-refused", void_bag_record, record=sealed, reason=" ")
    plant.do(void_bag_record, 70, record=sealed, reason="the wrong reel was scanned")
    assert used(caps, 100) == 100
    refused(plant, "correction-refused", void_bag_record, record=sealed, reason="again")


# What is used ---------------------------------------------------------------------------------------------------------


def load(plant: Plant, minute: float, caps: Container) -> FeedRecord:
    return plant.do(load_feed, minute, feed=plant.slot_c, container=caps)


def splice(plant: Plant, minute: float, caps: Container) -> FeedRecord:
    return plant.do(splice_feed, minute, feed=plant.slot_c, container=caps, lead=5, tolerance=0)


def top_up(plant: Plant, minute: float, caps: Container) -> FeedRecord:
    return plant.do(top_up_feed, minute, feed=plant.slot_c, container=caps)


def fit(plant: Plant, minute: float, caps: Container) -> Any:
    (board,) = plant.boards()
    told = {"unit": board, "designator": "C1", "container": caps, "reason": "cracked"}
    return plant.do(fit_part, minute, **told)


USES: list[Callable[[Plant, float, Container], Any]] = [load, splice, top_up, fit]


@pytest.mark.parametrize("use", USES)
def test_what_is_used_was_opened_by_then_and_past_its_floor_life_it_is_refused(plant: Plant, use: Any) -> None:
    fresh, caps = reel(plant, "FRESH"), reel(plant, "CAPS")
    use(plant, 7, fresh)
    assert used(fresh, 17) == 10
    plant.do(open_bag, 0, container=caps)
    before = BagRecord.objects.count()
    with pytest.raises(Exception, match="CAPS lay open for 24.1 h, and its floor life is 24 h. Bake it") as over:
        use(plant, LIFE + EPS, caps)
    assert over.value.code == "floor-life-over" and BagRecord.objects.count() == before
    use(plant, LIFE, caps)
    assert BagRecord.objects.count() == before  # it lay open already


@pytest.mark.parametrize("use", USES)
def test_the_last_day_of_a_shelf_life_counts(plant: Plant, use: Any) -> None:
    """The day ends with that of UTC; START is a Monday at six."""
    first, late = (reel(plant, key, expiry=moment().date()) for key in ("ON-TIME", "LATE"))
    use(plant, 18 * 60 - EPS, first)
    with pytest.raises(Exception, match="expired on 2026-03-02") as over:
        use(plant, 18 * 60, late)
    assert over.value.code == "expired"


def test_a_lot_without_an_expiry_has_the_shelf_life_of_its_part(plant: Plant) -> None:
    Part.objects.filter(pk=plant.resistor.pk).update(shelf_life=90)
    plant.resistor.refresh_from_db()
    day = moment().date()
    assert plant.lot("L1").expiry == day + timedelta(days=90)
    assert plant.lot("L2", expiry=date(2026, 4, 1)).expiry == date(2026, 4, 1)
    again = {"number": "N-L2", "supplier": plant.supplier, "part": plant.resistor, "containers": [("C9", None)]}
    assert plant.do(receive_lot, 9, key="L2", **again).expiry == date(2026, 4, 1)
    late = datetime(2026, 3, 2, 23, 59, tzinfo=UTC)
    told = {**again, "key": "L3", "number": "N-L3", "containers": []}
    assert receive_lot(**told, by=plant.ann, at=late).expiry == day + timedelta(days=90)
    batch = plant.do(make_batch, 5, key="B", part=plant.resistor, sources=[reel(plant, "X", expiry=date(2027, 1, 1))])
    assert Lot.objects.get(pk=batch.lot_id).expiry == day + timedelta(days=90)


def test_level_6_is_baked_before_every_use(plant: Plant) -> None:
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="6", time_on_label=6)
    caps = reel(plant, "CAPS")
    refusal = refused(plant, "floor-life-over", load_feed, 1, feed=plant.slot_c, container=caps)
    assert "is to be baked before it is used" in refusal.message
    bake(plant, caps, 600)
    refused(plant, "floor-life-over", load_feed, 600 + 360 + EPS, feed=plant.slot_c, container=caps)
    load(plant, 600 + 360, caps)


# Divided and mixed ----------------------------------------------------------------------------------------------------


def test_a_split_inherits_and_a_merge_has_the_worst(plant: Plant) -> None:
    one, two = reel(plant, "ONE"), reel(plant, "TWO")
    plant.do(open_bag, 0, container=one)
    part = plant.do(split_container, 100, source=one, key="PART")
    plant.do(seal_bag, 110, container=part)
    assert (used(part, 500), used(one, 500)) == (110, 500)
    both = plant.do(merge_containers, 200, sources=[part, two], key="BOTH")
    assert used(both, 250) == 110 + 50
    assert used(two, 250) == 50  # it was opened to be poured
    into = plant.do(merge_containers, 300, sources=[one], into=two)
    assert used(into, 310) == 310
    part.refresh_from_db(), both.refresh_from_db()
    assert part.exposed == ticks(0) and both.exposed == ticks(200 - 110)


def test_what_is_told_late_of_a_source_counts_for_all_that_came_of_it(plant: Plant) -> None:
    one = reel(plant, "ONE")
    part = plant.do(split_container, 100, source=one, key="PART")
    piece = plant.do(split_container, 200, source=part, key="PIECE")
    assert used(piece, 200) == 100
    plant.do(open_bag, -50, container=one)
    piece.refresh_from_db()
    assert used(piece, 200) == 250 and piece.exposed == ticks(-50)


def test_two_that_are_poured_to_and_fro_at_one_moment_have_a_clock(plant: Plant) -> None:
    one = reel(plant, "ONE")
    plant.do(open_bag, 0, container=one)
    part = plant.do(split_container, 100, source=one, key="PART")
    plant.do(merge_containers, 100, sources=[part], into=one)
    assert (used(part, 150), used(one, 150)) == (150, 150)


def test_a_long_line_of_splits_has_a_clock(plant: Plant) -> None:
    one = reel(plant, "ONE")
    plant.do(open_bag, 0, container=one)
    for number in range(300):
        later = Container.objects.create(
            key=f"P-{number}", part=plant.capacitor, lot=one.lot, own=False, received=ticks(number)
        )
        Derivation.objects.create(
            source=one, result=later, deed="split", at=ticks(number), by=plant.ann, recorded=ticks(number)
        )
        one = later
    assert used(one, 400) == 400


def test_a_batch_is_another_material_with_a_clock_of_its_own(plant: Plant) -> None:
    one = reel(plant, "ONE")
    plant.do(open_bag, 0, container=one)
    batch = plant.do(make_batch, 1000, key="BATCH", part=plant.resistor, sources=[one])
    assert used(batch, 1010) == 10
    same = plant.do(make_batch, 1000, key="SAME", part=plant.capacitor, sources=[one])
    assert used(same, 1010) == 1010


def test_what_was_poured_lies_open_though_the_rest_of_the_bag_is_sealed(plant: Plant) -> None:
    one = reel(plant, "ONE")
    bin_: Feed = plant.do(define_feed, key="BIN", station=plant.insertion, kind=Feed.Kind.BIN)
    plant.do(top_up_feed, 10, feed=bin_, container=one)
    plant.do(seal_bag, 20, container=one)
    assert used(one, 1000) == 10
    rest = plant.do(take_off_feed, 1000, feed=bin_, label="REST")
    assert used(rest, 1000) == UNKNOWN / 60_000_000  # what lay there before is not on record
    plant.do(load_feed, 2000, feed=bin_, container=reel(plant, "TWO"))
    plant.do(seal_bag, 2010, container=Container.objects.get(key="TWO"))
    rest = plant.do(take_off_feed, 2500, feed=bin_, label="REST-2")
    assert used(rest, 2500) == 500


def test_what_was_taken_out_of_a_unit_is_baked_before_it_is_used(plant: Plant) -> None:
    (board,) = plant.boards()
    plant.do(remove_part, 5, unit=board, designator="C1", reason="wrong way round", salvage="OLD")
    assert used(Container.objects.get(key="OLD"), 6) == UNKNOWN / 60_000_000


def test_what_is_sealed_or_baked_has_left_its_feed(plant: Plant) -> None:
    caps = reel(plant, "CAPS")
    load(plant, 1, caps)
    plant.do(seal_bag, 50, container=caps)
    assert FeedRecord.objects.filter(act="seen-away", feed=plant.slot_c).count() == 1
    load(plant, 60, caps)
    bake(plant, caps, 900)
    assert FeedRecord.objects.filter(act="seen-away", feed=plant.slot_c, superseded=None).count() == 2


# At a station ---------------------------------------------------------------------------------------------------------


def test_a_unit_is_stopped_where_a_feed_may_give_what_is_past_its_floor_life(plant: Plant) -> None:
    caps = reel(plant, "CAPS")
    load(plant, 0, caps)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("RS", minute=-100))
    on_time, late = plant.boards(2)
    plant.do(start_pass, LIFE, unit=on_time, station=plant.insertion)
    plant.do(finish_pass, LIFE, unit=on_time)
    refusal = refused(plant, "stopped", start_pass, LIFE + EPS, unit=late, station=plant.insertion)
    assert refusal.extra["refusals"] == [
        (
            "floor-life-over",
            "Stop. CAPS on a feed here is past its floor life.",
            "Take it off the feed, bake it or load another.",
        )
    ]
    assert int((LIFE + EPS) * 60_000_000) == LIFE * 60_000_000 + 1
    plant.do(load_feed, LIFE + 0.5, feed=plant.slot_c, container=reel(plant, "NEW"))
    plant.do(start_pass, LIFE + 1, unit=late, station=plant.insertion)


def test_after_the_work_the_draws_are_on_record_and_the_unit_has_not_passed() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="6", time_on_label=6)
    plant.do(find_on_feed, 0, feed=plant.slot_c, container=reel(plant, "CAPS"))  # it hangs there, allowed or not
    plant.do(load_feed, 0, feed=plant.slot_r, container=plant.reel("RS", minute=-100))
    (board,) = plant.boards()
    (entry,) = plant.do(record_passes, 1, units=[board], station=plant.insertion)
    assert (entry.outcome, entry.drew) == (Pass.Outcome.ABORTED, Pass.Drew.ALL)
    assert [refusal.extra["rule"] for refusal in entry.stopped] == ["floor-life-over"]


def test_within_its_floor_life_an_open_bag_costs_no_query(plant: Plant) -> None:
    def asked(minute: float) -> int:
        (board,) = plant.boards()
        with CaptureQueriesContext(connection) as queries:
            plant.do(start_pass, minute, unit=board, station=plant.insertion)
        plant.do(finish_pass, minute, unit=board)
        return len(queries)

    plant.do(load_feed, 0, feed=plant.slot_r, container=plant.reel("F", plant.resistor, minute=-100))
    Part.objects.update(moisture_level="")
    load(plant, 0, reel(plant, "DRY"))
    without = asked(1)
    Part.objects.filter(pk=plant.capacitor.pk).update(moisture_level="5a")
    load(plant, 2, reel(plant, "CAPS"))
    assert asked(3) == without


def test_a_place_is_not_filled_from_a_bin_past_its_floor_life(plant: Plant) -> None:
    load(plant, 0, reel(plant, "CAPS"))
    (board,) = plant.boards()
    told = {"unit": board, "designator": "C1", "feed": plant.slot_c, "reason": "cracked"}
    refused(plant, "floor-life-over", fit_part, LIFE + EPS, **told)
    plant.do(fit_part, LIFE, **told)
