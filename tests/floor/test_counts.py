"""What was counted onto a feed: where it may be used up, where it surely is, and what the station is asked."""

from __future__ import annotations

import pytest

from tests.factories import Plant, candidates_at, ticks
from tests.refusals import refused
from trace.floor.models import Unit
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import find_on_feed, load_feed, splice_feed, take_off_feed
from trace.floor.operations.passes import start_pass
from trace.material.models import Container, FeedRecord

pytestmark = pytest.mark.django_db


def boards_at(plant: Plant, *minutes: int) -> list[Unit]:
    """Boards inserted at these minutes: two resistors each."""
    boards = plant.boards(len(minutes))
    for board, minute in zip(boards, minutes, strict=True):
        plant.run(board, plant.insertion, minute, minute + 0.5)
    return boards


def label(container: Container, quantity: str, tolerance: str) -> Container:
    container.quantity, container.tolerance = quantity, tolerance
    container.save()
    return Container.objects.select_related("lot", "part").get(pk=container.pk)


def test_the_next_unit_is_stopped_once_all_is_surely_used_up() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"), quantity=4, at_least=2)
    first, second = boards_at(plant, 10, 20)
    assert candidates_at(plant.slot_r, ticks(10)) == {"A"}
    assert candidates_at(plant.slot_r, ticks(20)) == {"A", None}
    (third,) = plant.boards()
    stopped = refused(plant, "stopped", start_pass, 30, unit=third, station=plant.insertion)
    assert (stopped.extra["rule"], stopped.action) == ("exhausted", "Scan what is loaded there now.")
    assert "SLOT-R" in stopped.message
    plant.do(find_on_feed, 31, feed=plant.slot_r, container=plant.reel("B"))
    plant.do(start_pass, 32, unit=third, station=plant.insertion)
    assert first.key != second.key


def test_a_feed_that_nobody_loaded_is_not_called_used_up() -> None:
    plant = Plant()
    boards_at(plant, 10)


def test_a_void_pass_used_nothing() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"), quantity=4, at_least=4)
    first, _ = boards_at(plant, 10, 20)
    assert candidates_at(plant.slot_r, ticks(25)) == {None}
    plant.do(void_pass, 26, entry=first.passes.get(station=plant.insertion), reason="scanned by mistake")
    assert candidates_at(plant.slot_r, ticks(25)) == {"A"}


def test_real_use_past_the_count_is_recorded_all_the_same() -> None:
    """The interlock stops the next unit; one that was inside already is recorded, and comes from the unknown."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("A"), quantity=3, at_least=3)
    (board,) = boards_at(plant, 10)
    (late,) = boards_at(plant, 20)
    entry = late.passes.get(station=plant.insertion)
    assert candidates_at(plant.slot_r, entry.first, entry.last) == {"A", None}
    assert board.passes.count() == 1


def test_a_whole_container_brings_its_count_if_somebody_knows_how_exact_it_is() -> None:
    plant = Plant()
    exact, unsure = label(plant.reel("A"), "5", "0"), label(plant.reel("B"), "5", "1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=exact)
    plant.do(load_feed, 2, feed=plant.slot_r, container=unsure)
    counts = FeedRecord.objects.order_by("id").values_list("quantity", "at_least")
    assert list(counts.all()) == [(None, None), (6, 4)]
    plant.do(take_off_feed, 3, feed=plant.slot_r)
    plant.do(load_feed, 4, feed=plant.slot_r, container=unsure)
    assert list(counts.all())[-1] == (None, None), "nobody counted what was left"


def test_what_the_operator_counted_goes_before_the_label() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=label(plant.reel("A"), "5", "1"), quantity=9)
    record = FeedRecord.objects.get()
    assert (record.quantity, record.at_least) == (9, None)


@pytest.mark.parametrize("counts", [{"at_least": 2}, {"at_least": 3, "quantity": 2}, {"at_least": -1, "quantity": 2}])
def test_counts_that_can_not_be_are_refused(counts: dict[str, int]) -> None:
    plant = Plant()
    reel = plant.reel("A")
    refused(plant, "feed-refused", load_feed, feed=plant.slot_r, container=reel, **counts)
    refused(plant, "feed-refused", splice_feed, feed=plant.slot_r, container=reel, lead=1, tolerance=0, **counts)
    refused(plant, "feed-refused", find_on_feed, feed=plant.slot_r, container=reel, **counts)
