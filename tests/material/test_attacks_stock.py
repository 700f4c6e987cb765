"""Stock that can't be so: attacks that once went through."""

from __future__ import annotations

from datetime import date, timedelta, timezone
from decimal import Decimal

import pytest

from tests.factories import Plant, moment, ticks
from tests.refusals import refused
from trace.floor.operations.feeds import charge_bath, find_on_feed, load_feed, splice_feed, take_off_feed, top_up_feed
from trace.floor.operations.stores import make_batch, merge_containers, split_container, store_container
from trace.material.models import Container
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import discard_container, receive_lot

pytestmark = pytest.mark.django_db

EARLY, LATE = date(2026, 4, 1), date(2026, 6, 1)


def test_a_mixture_expires_with_the_first_of_its_lots() -> None:
    plant = Plant()
    early, late, never = plant.reel(expiry=EARLY), plant.reel(expiry=LATE), plant.reel()
    assert plant.do(merge_containers, 5, sources=[late, never, early], key="MIX").lot.expiry == EARLY
    assert plant.do(make_batch, 5, key="BATCH", part=plant.fuse, sources=[late, never]).lot.expiry == LATE
    plant.do(load_feed, 5, feed=plant.slot_r, container=never)
    plant.do(top_up_feed, 6, feed=plant.slot_r, container=early)
    assert plant.do(take_off_feed, 7, feed=plant.slot_r, label="REST").lot.expiry == EARLY


def test_what_has_expired_is_not_merged() -> None:
    plant = Plant()
    old, good = plant.reel("OLD", expiry=date(2026, 3, 1)), plant.reel(expiry=date(2026, 3, 2))
    assert "OLD" in refused(plant, "stock-refused", merge_containers, sources=[good, old], key="MIX").message
    plant.do(merge_containers, 5, sources=[good, plant.reel()], key="MIX")


@pytest.mark.parametrize("hours", [-11, 0, 12])
def test_a_lot_expires_at_one_moment_wherever_its_time_was_told(hours: int) -> None:
    plant = Plant()
    reel = plant.reel(expiry=moment().date())
    last = moment().replace(hour=23, minute=59).astimezone(timezone(timedelta(hours=hours)))
    plant.do(load_feed, feed=plant.slot_r, container=reel, at=last)
    refused(plant, "expired", load_feed, feed=plant.slot_c, container=reel, at=last + timedelta(minutes=1))


def test_nothing_is_poured_into_what_lasts_longer() -> None:
    plant = Plant()
    early, late, never = plant.reel(expiry=EARLY), plant.reel(expiry=LATE), plant.reel()
    for source, into in ((early, late), (early, never), (late, never)):
        refusal = refused(plant, "stock-refused", merge_containers, sources=[source], into=into)
        assert refusal.action == "Pour both into a new container."
    assert plant.do(merge_containers, 5, sources=[never, late], into=early).lot.expiry == EARLY


def test_a_lot_has_one_expiry() -> None:
    plant = Plant()
    lot = {"key": "L1", "supplier": plant.supplier, "part": plant.resistor, "number": "77"}
    plant.do(receive_lot, 1, **lot, expiry=EARLY, containers=[])
    refused(plant, "stock-refused", receive_lot, **lot, expiry=LATE, containers=[("CB-1", None)])
    for label, expiry in (("CB-1", None), ("CB-2", EARLY)):
        assert plant.do(receive_lot, 2, **lot, expiry=expiry, containers=[(label, None)]).expiry == EARLY
    endless = {**lot, "key": "L2", "number": "78", "containers": []}
    plant.do(receive_lot, 1, **endless)
    refused(plant, "stock-refused", receive_lot, **endless, expiry=LATE)


@pytest.mark.parametrize("how", ["load", "splice", "found", "seen"])
def test_what_is_on_a_feed_is_not_discarded(how: str) -> None:
    plant = Plant()
    reel, feed = plant.reel("CB-1"), plant.slot_r
    if how == "splice":
        plant.do(load_feed, 1, feed=feed, container=plant.reel("CB-0"))
        plant.do(splice_feed, 2, feed=feed, container=reel, lead=0, tolerance=0)
    elif how == "found":
        plant.do(find_on_feed, 2, feed=feed, container=reel)
    else:
        plant.do(load_feed, 2, feed=feed, container=reel)
    if how == "seen":
        plant.do(find_on_feed, 3, feed=feed, container=reel)
    assert "SLOT-R" in refused(plant, "stock-refused", discard_container, container=reel, reason="empty").action
    if how == "load":
        plant.do(take_off_feed, 5, feed=feed)
        assert plant.do(discard_container, 6, container=reel, reason="empty").gone == ticks(6)


def test_what_was_only_poured_from_may_be_discarded() -> None:
    plant = Plant()
    reel, bar = plant.reel("CB-1"), plant.reel("BAR")
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel())
    plant.do(top_up_feed, 2, feed=plant.slot_r, container=reel)
    bath = plant.do(define_feed, key="BATH", station=plant.final, kind="bath")
    plant.do(charge_bath, 2, feed=bath, container=bar)
    for poured in (reel, bar):
        plant.do(discard_container, 5, container=poured, reason="empty")


def test_a_container_counts_as_gone_from_the_moment_it_went() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(discard_container, 30, container=reel, reason="empty")
    plant.do(split_container, 29, source=reel, key="CB-2")
    refused(plant, "stock-refused", split_container, 30, source=reel, key="CB-3")
    refused(plant, "stock-refused", discard_container, 20, container=reel, reason="empty")
    assert Container.objects.get(key="CB-1").gone == ticks(30)


@pytest.mark.parametrize("quantity", ["NaN", "sNaN", "Infinity", "-Infinity", "1e10", "99999999999999", "0.00001"])
def test_no_container_holds_what_is_no_quantity(quantity: str) -> None:
    plant = Plant()
    lot = {"key": "L1", "supplier": plant.supplier, "part": plant.resistor, "number": "77"}
    refused(plant, "stock-refused", receive_lot, **lot, containers=[("CB-1", Decimal(quantity))])
    refused(plant, "stock-refused", split_container, source=plant.reel(), key="CB-2", quantity=Decimal(quantity))


def test_odd_texts_are_refused_in_a_sentence() -> None:
    plant = Plant()
    good = {"key": "L1", "supplier": plant.supplier, "part": plant.resistor, "number": "7" * 60, "containers": []}
    for code, wrong in (
        ("stock-refused", {"number": "  "}),
        ("bad-text", {"number": "7" * 61}),
        ("bad-text", {"number": "7\x007"}),
        ("bad-text", {"date_code": "2" * 11}),
        ("bad-text", {"store": "s" * 61}),
        ("bad-text", {"store": "\x00A"}),
        ("stock-refused", {"kind": "a kind of its own"}),
    ):
        refused(plant, code, receive_lot, **{**good, **wrong})
    assert plant.do(receive_lot, **good, store=" s ").received == moment()
    reel = plant.reel()
    refused(plant, "bad-text", store_container, container=reel, store="s" * 61)
    refused(plant, "bad-text", discard_container, container=reel, reason="x" * 301)


def test_a_mixed_lot_is_numbered_by_the_clean_key_of_its_container() -> None:
    plant = Plant()
    mixed = plant.do(merge_containers, 5, sources=[plant.reel("A"), plant.reel("B")], key=f"{' ' * 80}ab")
    assert (mixed.key, mixed.lot.number) == ("AB", "AB")


def test_a_feed_of_no_kind_is_refused() -> None:
    plant = Plant()
    refused(plant, "setup-refused", define_feed, key="ODD", station=plant.insertion, kind="something else")
