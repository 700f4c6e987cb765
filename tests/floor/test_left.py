"""What is left in containers: worked by hand, and against a place of which every part is followed."""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import replace
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from tests.factories import Plant, candidates_at, moment, ticks
from tests.floor.sequencer import Sequencer
from tests.material.inspecting import EVERY, SAMPLE, planned, waiting
from trace.floor.left import find_left
from trace.floor.operations.counting import count_container, rereel_container, return_container, scrap_parts
from trace.floor.operations.feeds import clear_feed, find_on_feed, load_feed, splice_feed, take_off_feed, top_up_feed
from trace.floor.operations.fittings import fit_part, remove_part
from trace.floor.operations.passes import record_passes
from trace.floor.operations.stores import merge_containers, split_container, store_container
from trace.floor.operations.tapes import load_head, stop_tape
from trace.material.facts import Left
from trace.material.inspecting import list_tasks
from trace.material.models import Container
from trace.material.operations.inspection import record_inspection
from trace.material.operations.setups import abort_tape


def left(container: Container, minute: float | None = None) -> str:
    fresh = Container.objects.get(pk=container.pk)
    return str(find_left(fresh) if minute is None else find_left(fresh, ticks(minute)))


@pytest.mark.django_db
def test_what_came_in_less_what_was_drawn_divided_fitted_and_scrapped() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    assert left(reel) == "100"
    plant.do(split_container, 1, source=reel, key="CB-2", quantity=30)
    plant.do(scrap_parts, 2, container=reel, quantity=5, reason="spilled")
    assert (left(reel), left(Container.objects.get(key="CB-2"))) == ("65", "30")
    plant.do(load_feed, 3, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 3, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor))
    for number, board in enumerate(plant.boards(3)):
        plant.run(board, plant.insertion, 10 + 2 * number, 11 + 2 * number)
    assert left(reel) == "59", "R1 and R2 of three boards"
    assert left(reel, 11.5) == "63", "as of a moment at which one was through"
    plant.do(take_off_feed, 20, feed=plant.slot_r)
    (board,) = plant.boards()
    plant.do(fit_part, 21, unit=board, designator="R1", container=reel, reason="missing")
    assert left(reel) == "58"
    plant.do(remove_part, 22, unit=board, designator="R1", reason="wrong way round", into=reel)
    assert left(reel) == "59"


@pytest.mark.django_db
def test_where_two_reels_may_have_given_a_part_either_may_be_without_it() -> None:
    plant = Plant()
    one, two = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=50)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor))
    plant.do(load_feed, 1, feed=plant.slot_r, container=one)
    first, second = plant.boards(2)
    plant.run(first, plant.insertion, 10, 12)
    plant.do(load_feed, 11, feed=plant.slot_r, container=two)
    plant.run(second, plant.insertion, 13, 14)
    assert left(one, 9) == "50"
    assert left(two) == "46 to 48", "two went to the second board, and perhaps two to the first"
    assert left(one) == "0", "what was taken down and not brought back was used up, or thrown away"


@pytest.mark.django_db
def test_poured_together_and_re_reeled() -> None:
    plant = Plant()
    one, two = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=20)
    bag = plant.do(merge_containers, 5, sources=[one, two], key="CB-3")
    assert (left(one), left(two), left(bag)) == ("0", "0", "70")
    reel = plant.do(rereel_container, 6, source=bag, key="CB-4")
    assert (left(bag), left(reel), reel.quantity) == ("0", "70", 70)
    with pytest.raises(Exception, match="has left the plant"):
        plant.do(split_container, 7, source=bag, key="CB-5")
    uncounted = plant.reel("CB-6")
    assert left(uncounted) == "None"
    plant.do(merge_containers, 8, sources=[uncounted], into=reel)
    assert left(reel) == "None", "nobody knows how many were poured in"
    plant.do(count_container, 9, container=reel, quantity=81)
    assert left(reel) == "81"


@pytest.mark.django_db
def test_a_count_of_what_was_put_on_and_what_ran_out() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=500)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor))
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel, quantity=10, at_least=8)
    assert left(reel) == "8 to 10"
    (board,) = plant.boards()
    plant.run(board, plant.insertion, 2, 3)
    assert left(reel) == "6 to 8"
    plant.do(clear_feed, 4, feed=plant.slot_r)
    assert left(reel) == "0"


@pytest.mark.django_db
def test_a_count_bends_no_history_and_the_record_goes_on_from_it() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", quantity=100)
    count = plant.do(count_container, 5, container=reel, quantity=90, reason="miscounted by the supplier")
    assert (count.least, count.most) == (100, 100)
    plant.do(scrap_parts, 6, container=reel, quantity=1, reason="bent leads")
    assert (left(reel), left(reel, 4)) == ("89", "100")
    plant.do(return_container, 8, container=reel, store="A-12", quantity=Decimal(89))
    assert (left(reel), Container.objects.get(key="CB-1").store) == ("89", "A-12")


@pytest.mark.django_db
def test_what_was_counted_put_on_and_replaced_at_one_moment_is_gone() -> None:
    plant = Plant()
    one = plant.reel("CB-1", quantity=50)
    plant.do(count_container, 5, container=one, quantity=48, reason="spilled")
    plant.do(load_feed, 5, feed=plant.slot_r, container=one)
    plant.do(load_feed, 5, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor))
    plant.run(*plant.boards(1), plant.insertion, 5, 6)
    assert left(one) == "46", "it was counted before it was put on"
    two = plant.reel("CB-2", quantity=50)
    plant.do(count_container, 6, container=two, quantity=40, reason="spilled")
    plant.do(load_feed, 6, feed=plant.slot_r, container=two)
    plant.do(load_feed, 6, feed=plant.slot_r, container=plant.reel("CB-4"))
    assert (left(one), left(two)) == ("0", "0")


def test_more_used_than_there_was_shows() -> None:
    over = Left(Decimal(-6), Decimal(-2))
    assert (str(over), over.overdrawn) == ("0", 2)
    assert Decimal(0) in over
    assert Decimal(1) not in over
    assert Decimal("2.5") in Left(Decimal(2), Decimal(3))


@pytest.mark.django_db
def test_of_two_put_on_at_one_count_the_later_hangs_there() -> None:
    plant = Plant(counts_cycles=True)
    one, two = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=40)
    plant.do(load_feed, 1, feed=plant.slot_r, container=one, position=(1, 1))
    plant.do(load_feed, 2, feed=plant.slot_r, container=two, position=(1, 1))
    assert (left(one), left(two)) == ("0", "40")


@pytest.mark.django_db
def test_where_nobody_knows_which_was_put_on_last_either_may_be_gone() -> None:
    plant = Plant(counts_cycles=True)
    one, two = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=40)
    plant.do(load_feed, 1, feed=plant.slot_r, container=one, position=(1, 4))
    plant.do(load_feed, 2, feed=plant.slot_r, container=two, position=(2, 3))
    assert (left(one), left(two)) == ("0 to 50", "0 to 40")


@pytest.mark.django_db
def test_what_came_off_and_may_be_of_either_of_two_is_not_of_both() -> None:
    """The second reel was put on some time between minutes 2 and 6; what came off at minute 4 was it, or the first."""
    plant = Plant()
    one, two = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=40)
    plant.do(load_feed, 1, feed=plant.slot_r, container=one)
    rest = plant.do(take_off_feed, 4, feed=plant.slot_r, label="REST")
    assert left(rest) == "50"
    plant.do(load_feed, 6, feed=plant.slot_r, container=two, position=(ticks(2), ticks(6)))
    assert left(rest) == "40 to 90"


@pytest.mark.django_db
def test_what_came_off_empties_no_bag_that_was_poured_on_it() -> None:
    plant = Plant()
    bag = plant.reel("BAG", quantity=30)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1", quantity=50))
    plant.do(top_up_feed, 2, feed=plant.slot_r, container=bag, quantity=10)
    plant.do(take_off_feed, 4, feed=plant.slot_r, label="REST")
    assert left(bag) == "20 to 30"


@pytest.mark.django_db
def test_what_came_off_spliced_is_of_both() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1", quantity=50))
    plant.do(splice_feed, 2, feed=plant.slot_r, container=plant.reel("CB-2", quantity=40), lead=50, tolerance=0)
    assert left(plant.do(take_off_feed, 4, feed=plant.slot_r, label="REST")) == "90"


@pytest.mark.django_db
def test_a_count_before_it_is_put_on_a_counting_machine_takes_no_draw_away() -> None:
    plant = Plant(counts_cycles=True)
    reel = plant.reel("CB-1", quantity=50)
    plant.do(count_container, 2, container=reel, quantity=48, reason="two were lost")
    plant.do(load_feed, 3, feed=plant.slot_c, container=plant.reel("CB-3", plant.capacitor), position=(1, 1))
    plant.do(load_feed, 3, feed=plant.slot_r, container=reel, position=(1, 1))
    (board,) = plant.boards()
    told = {"entered": moment(4), "positions": [(1, 1)]}
    plant.do(record_passes, 5, units=[board], station=plant.insertion, **told)
    assert left(reel) == "46"


@pytest.mark.django_db
def test_what_is_poured_on_a_slot_leaves_the_rest_in_its_container() -> None:
    plant = Plant()
    reel, bag = plant.reel("CB-1", quantity=50), plant.reel("CB-2", quantity=20)
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(top_up_feed, 2, feed=plant.slot_r, container=bag, quantity=5, left=50)
    assert left(bag) == "15 to 20", "five at most were poured"


@pytest.mark.django_db
def test_a_tape_that_runs_may_have_used_all_and_one_given_up_more_than_was_counted() -> None:
    it = Sequencer(run=True)
    assert (left(it.resistors), left(it.capacitors)) == ("460 to 500", "40 to 60"), "two and one in each of 20 sets"
    it.do(stop_tape, 5, board_set=4, link=0, reason="run out")
    assert (left(it.resistors), left(it.capacitors)) == ("492", "54"), "B stands two board sets up the chain"
    it.do(abort_tape, 6, board_sets=4, reason="bent leads")
    assert (left(it.resistors), left(it.capacitors)) == ("460 to 492", "40 to 56")


@pytest.mark.django_db
def test_a_tape_that_stops_before_its_first_board_set_was_given_to_by_heads_up_the_chain() -> None:
    it = Sequencer(run=True)
    it.do(stop_tape, 5, board_set=0, reason="run out")
    record = it.do(load_head, 6, feed=it.b, container=it.plant.reel("CC", it.plant.capacitor, quantity=60))
    assert (record.first, record.last) == (0, 3), "two board sets up, and the count may stand at the last link of 0"


class Followed(TestCase):
    """A slot of which every part is followed, whatever is done there."""

    @settings(max_examples=8)
    @given(
        st.lists(
            st.sampled_from(["board", "board", "board", "replace", "splice", "take off", "count", "scrap", "split"]),
            max_size=20,
        )
    )
    def test_the_truth_lies_between_the_least_and_the_most(self, deeds: list[str]) -> None:
        plant = Plant()
        plant.do(load_feed, 0, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
        truth: Counter[str] = Counter()
        came: Counter[str] = Counter()
        gone: Counter[str] = Counter()
        slot: deque[str] = deque()  # reels one behind the other
        free: list[str] = []
        made = 0
        minute = 1.0

        def fresh() -> Container:
            nonlocal made
            made += 1
            if free:
                return Container.objects.get(key=free.pop())
            reel = plant.reel(f"CB-{made}", minute=minute, quantity=40)
            truth[reel.key] = came[reel.key] = 40
            return reel

        for deed in deeds:
            minute += 10
            if deed == "board":
                if sum(truth[key] for key in slot) < 2:
                    continue
                (board,) = plant.boards(minute=minute)
                plant.run(board, plant.insertion, minute + 1, minute + 2)
                for _ in range(2):
                    while not truth[slot[0]]:
                        slot.popleft()
                    truth[slot[0]] -= 1
                    gone[slot[0]] += 1
            elif deed == "replace":
                reel = fresh()
                plant.do(load_feed, minute, feed=plant.slot_r, container=reel)
                for key in slot:
                    gone[key] += truth[key]
                    truth[key] = 0
                slot = deque([reel.key])
            elif deed == "splice" and slot and len(slot) == 1:
                reel = fresh()
                lead = truth[slot[0]]
                plant.do(splice_feed, minute, feed=plant.slot_r, container=reel, lead=lead, tolerance=0)
                slot.append(reel.key)
            elif deed == "take off" and len(slot) == 1:
                plant.do(take_off_feed, minute, feed=plant.slot_r)
                free.append(slot.pop())
            elif deed in ("count", "scrap", "split") and free and truth[free[-1]] > 1:
                reel = Container.objects.get(key=free[-1])
                if deed == "count":
                    plant.do(count_container, minute, container=reel, quantity=truth[reel.key])
                else:
                    arguments = {"quantity": 1}
                    if deed == "scrap":
                        plant.do(scrap_parts, minute, container=reel, reason="bent", **arguments)
                    else:
                        plant.do(split_container, minute, source=reel, key=f"BAG-{made}-{minute:.0f}", **arguments)
                    truth[reel.key] -= 1
                    gone[reel.key] += 1
        for key in truth:
            found = find_left(Container.objects.get(key=key))
            assert found is not None
            assert truth[key] in found, (key, truth[key], str(found), deeds)
            assert came[key] == truth[key] + gone[key]


@pytest.mark.django_db
def test_what_an_inspection_rejects_leaves_once() -> None:
    """A hundred came; ten were split off; of a sample one was rejected, then of all that were left eight."""
    plant = Plant()
    planned(plant, replace(SAMPLE, aql=Decimal(10)), EVERY)
    lot = waiting(plant, "K1", 100)
    reel = Container.objects.get(key="K1-1")
    plant.do(split_container, 2, source=reel, key="BAG", quantity=10)
    bag = Container.objects.get(key="BAG")
    sample = next(task for task in list_tasks(lot) if task.planned.name == SAMPLE.name)
    assert sample.pieces is not None
    counts = [(reel, sample.pieces - 1, 1), (bag, 1, 0)]
    plant.do(record_inspection, 3, lot=lot, name=SAMPLE.name, counts=counts)
    assert (left(reel), left(reel, 2.5), left(bag)) == ("89", "90", "10")
    plant.do(record_inspection, 4, lot=lot, name=EVERY.name, counts=[(reel, 89, 8), (bag, 10, 0)], screened=True)
    assert (left(reel), left(bag)) == ("81", "10")
    plant.do(split_container, 5, source=reel, key="BAG-2", quantity=1)
    assert left(reel) == "80"


@pytest.mark.django_db
def test_what_a_sample_rejects_leaves_a_container_that_was_filled_from_others() -> None:
    """Two bags of 40 and 20 were poured together, and of a sample one piece was rejected."""
    plant = Plant()
    planned(plant, replace(SAMPLE, aql=Decimal(10)))
    lot = waiting(plant, "K1", 40, 20)
    bags = [Container.objects.get(key=key) for key in ("K1-1", "K1-2")]
    box = plant.do(merge_containers, 2, sources=bags, key="BOX")
    (sample,) = list_tasks(lot)
    plant.do(record_inspection, 3, lot=lot, name=SAMPLE.name, counts=[(box, sample.pieces, 1)])
    assert (left(box, 2.5), left(box)) == ("60", "59")


@pytest.mark.django_db
def test_a_reel_that_was_seen_in_the_store_and_found_on_its_feed_again_is_there_whole() -> None:
    """Of 8, a part went into each of three boards at most; then it was away, and came back by minute 30."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-R"))
    plant.do(load_feed, 2, feed=plant.slot_c, container=plant.reel("CB-1", plant.capacitor, quantity=9))
    reel = plant.reel("CB-2", plant.capacitor, quantity=8)
    plant.do(load_feed, 7, feed=plant.slot_c, container=reel)
    told = {"units": plant.boards(3), "station": plant.insertion, "entered": moment(5)}
    plant.do(record_passes, 8, **told, rack="RACK")
    plant.do(store_container, 20, container=reel, store="SHELF")
    assert left(reel) == "5 to 8"
    plant.do(find_on_feed, 30, feed=plant.slot_c, container=reel)
    assert left(reel) == "5 to 8"
    assert candidates_at(plant.slot_c, ticks(31)) == {"CB-2"}


@pytest.mark.django_db
def test_how_many_are_poured_together_asks_no_more_queries(django_assert_num_queries) -> None:
    plant = Plant()
    box = plant.do(merge_containers, 2, sources=[plant.reel("CB-1", quantity=5)], key="BOX-1")
    with CaptureQueriesContext(connection) as one:
        assert left(box) == "5"
    box = plant.do(merge_containers, 3, sources=[plant.reel(f"CB-{n}", quantity=n) for n in range(2, 12)], key="BOX-2")
    with django_assert_num_queries(len(one)):
        assert left(box) == "65"
