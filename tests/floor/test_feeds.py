"""What is done at feeds."""

from __future__ import annotations

from datetime import date

import pytest

from tests.factories import Plant, approve_substitute, candidates_at, make_part, spans_of, ticks
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.floor.operations.corrections import void_feed_record
from trace.floor.operations.feeds import (
    FeedRefused,
    charge_bath,
    clear_feed,
    dump_bath,
    fill_by_hand,
    find_on_feed,
    head_position,
    load_feed,
    splice_feed,
    take_off_feed,
    top_up_feed,
)
from trace.floor.operations.passes import start_pass
from trace.floor.operations.stores import make_batch, merge_containers, split_container, store_container
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.material.models import Container, Derivation, Feed, FeedRecord, SetUp
from trace.material.operations.setups import define_feed, finish_tape, start_tape
from trace.material.operations.stock import discard_container

pytestmark = pytest.mark.django_db


def sources_of(container: Container) -> set[str | None]:
    return set(Derivation.objects.filter(result=container, superseded=None).values_list("source__key", flat=True))


def test_a_load_a_clearing_and_a_load() -> None:
    plant = Plant()
    first, second = plant.reel("CB-1"), plant.reel("CB-2")
    plant.do(load_feed, 1, feed=plant.slot_r, container=first)
    plant.do(clear_feed, 5, feed=plant.slot_r)
    plant.do(load_feed, 9, feed=plant.slot_r, container=second)
    assert spans_of(plant.slot_r) == [
        (0, ticks(1), None),
        (ticks(1), ticks(5), "CB-1"),
        (ticks(5), ticks(9), None),
        (ticks(9), OPEN, "CB-2"),
    ]


def test_a_load_entered_late_gives_the_same_as_in_order() -> None:
    plant = Plant()
    for minute, key in ((1, "CB-1"), (9, "CB-3"), (5, "CB-2")):
        plant.do(load_feed, minute, feed=plant.slot_r, container=plant.reel(key))
    assert spans_of(plant.slot_r)[1:] == [
        (ticks(1), ticks(5), "CB-1"),
        (ticks(5), ticks(9), "CB-2"),
        (ticks(9), OPEN, "CB-3"),
    ]


def test_what_was_believed_before_a_late_record_stays_readable() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    plant.do(load_feed, 5, feed=plant.slot_r, container=plant.reel("CB-2"))
    old = plant.slot_r.spans.filter(container__key="CB-1").exclude(superseded=None)
    assert [(span.first, span.end) for span in old] == [(ticks(1), OPEN)]
    standing = plant.slot_r.spans.get(container__key="CB-1", superseded=None)
    assert old.get().superseded == standing.recorded


@pytest.mark.parametrize("operation", [load_feed, splice_feed, top_up_feed])
def test_putting_on_is_refused(operation) -> None:
    plant = Plant()
    details = {"lead": 1, "tolerance": 0} if operation is splice_feed else {}
    good = {"feed": plant.slot_r, "container": plant.reel("CB-1"), **details}
    gone, wrong, expired = (
        plant.reel("CB-2"),
        plant.reel("CB-3", plant.capacitor),
        plant.reel("CB-4", expiry=date(2026, 3, 1)),
    )
    plant.do(discard_container, 1, container=gone, reason="empty")
    held, held_lot = plant.reel("CB-5"), plant.reel("CB-6")
    plant.do(place_holds, 1, targets=[held, held_lot.lot], reason="a crack")
    for code, container in (
        ("feed-refused", gone),
        ("wrong-part", wrong),
        ("expired", expired),
        ("held", held),
        ("held", held_lot),
    ):
        refused(plant, code, operation, **{**good, "container": container})
    for wrong_position in ((5, 4), (-1, 4), (4, OPEN)):
        refused(plant, "feed-refused", operation, **good, position=wrong_position)
    for target in (plant.slot_r, plant.insertion):
        (hold,) = plant.do(place_holds, 2, targets=[target], reason="dirty")
        refused(plant, "held", operation, **good)
        hold.permits = ["load"]
        hold.save()
    plant.do(operation, 50, **good)


def test_what_is_scanned_elsewhere_had_left_unseen() -> None:
    plant = Plant()
    other = plant.do(define_feed, key="OTHER", station=plant.insertion)
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(find_on_feed, 5, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 9, feed=other, container=reel)
    assert spans_of(plant.slot_r) == [
        (0, ticks(1), None),
        (ticks(1), ticks(9), "CB-1"),
        (ticks(5), OPEN, None),
    ]
    record = FeedRecord.objects.get(act="seen-away")
    assert (record.feed, record.first, record.last) == (plant.slot_r, ticks(5), ticks(9))
    assert (record.happened - record.error, record.happened + record.error) == (ticks(5), ticks(9))
    event = Event.objects.filter(verb="load_feed").latest("id")
    assert '"seen_away_from":["SLOT-R"]' in event.payload
    plant.do(load_feed, 20, feed=plant.slot_r, container=plant.reel("CB-2"))
    assert spans_of(plant.slot_r)[-1] == (ticks(20), OPEN, "CB-2")
    assert candidates_at(plant.slot_r, ticks(15)) == {None}


@pytest.mark.parametrize("scan", ["splice", "top-up", "found", "store", "charge"])
def test_every_scan_elsewhere_tells_that_it_had_left(scan: str) -> None:
    plant = Plant()
    kind = Feed.Kind.BATH if scan == "charge" else Feed.Kind.SLOT
    other = plant.do(define_feed, key="OTHER", station=plant.insertion, kind=kind)
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    arguments = {"feed": other, "container": reel}
    match scan:
        case "splice":
            plant.do(splice_feed, 9, **arguments, lead=1, tolerance=0)
        case "top-up":
            plant.do(top_up_feed, 9, **arguments)
        case "charge":
            plant.do(charge_bath, 9, **arguments)
        case "found":
            plant.do(find_on_feed, 9, **arguments)
        case "store":
            plant.do(store_container, 9, container=reel, store="QUARANTINE")
    assert candidates_at(plant.slot_r, ticks(5)) == {"CB-1", None}
    assert candidates_at(plant.slot_r, ticks(9)) == {None}


def test_what_was_poured_proves_nothing_of_where_the_rest_is() -> None:
    plant = Plant()
    bin_ = plant.do(define_feed, key="BIN", station=plant.insertion, kind=Feed.Kind.BIN)
    reel, bag = plant.reel("CB-1"), plant.reel("CB-2")
    plant.do(load_feed, 1, feed=bin_, container=bag)
    plant.do(load_feed, 2, feed=plant.slot_r, container=reel)
    plant.do(top_up_feed, 3, feed=plant.slot_r, container=bag)
    plant.do(store_container, 9, container=bag, store="SHELF")
    assert candidates_at(bin_, ticks(20)) == {"CB-2"}
    assert candidates_at(plant.slot_r, ticks(20)) == {"CB-1", "CB-2"}


def test_what_left_unseen_may_have_taken_along_what_was_with_it() -> None:
    plant = Plant()
    old, new = plant.reel("OLD"), plant.reel("NEW")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=new, lead=50, tolerance=0)
    plant.do(store_container, 9, container=new, store="SHELF")
    assert sources_of(new) == {"OLD"}
    derivation = Derivation.objects.get()
    assert (derivation.at - derivation.error, derivation.at + derivation.error) == (ticks(2), ticks(9))


def test_the_old_of_a_change_found_late_may_have_taken_along_what_was_with_it() -> None:
    plant = Plant()
    old, new = plant.reel("OLD"), plant.reel("NEW")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 2, feed=plant.slot_r, container=new, lead=50, tolerance=0)
    plant.do(find_on_feed, 9, feed=plant.slot_r, container=plant.reel("X"))
    assert (sources_of(old), sources_of(new)) == ({"NEW"}, set())
    assert (OPEN - 1, OPEN, "NEW") in spans_of(plant.slot_r), "spliced to what was found, perhaps"
    plant.do(store_container, 20, container=new, store="SHELF")
    assert sources_of(new) == {"OLD", "X", None}


def test_a_load_entered_late_explains_why_it_was_seen_away() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(store_container, 9, container=reel, store="SHELF")
    plant.do(load_feed, 6, feed=plant.slot_r, container=plant.reel("CB-2"))
    assert spans_of(plant.slot_r)[1:] == [(ticks(1), ticks(6), "CB-1"), (ticks(6), OPEN, "CB-2")]


def test_a_load_done_after_the_scan_elsewhere_does_not_explain_it() -> None:
    """On a counting machine, within one count: by the clock the scan came first, and something hung there meanwhile."""
    plant = Plant(counts_cycles=True)
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel, position=(2, 3))
    plant.do(store_container, 5, container=reel, store="SHELF")
    plant.do(load_feed, 9, feed=plant.slot_r, container=plant.reel("CB-2"), position=(3, 4))
    assert candidates_at(plant.slot_r, 3) == {None, "CB-2"}


@pytest.mark.parametrize("how", ["split", "merged", "made into a batch"])
def test_what_is_divided_or_mixed_had_left_its_feed(how: str) -> None:
    plant = Plant()
    reel, other = plant.reel("CB-1"), plant.reel("CB-2")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    match how:
        case "split":
            plant.do(split_container, 5, source=reel, key="PART")
        case "merged":
            plant.do(merge_containers, 5, sources=[reel, other], key="BOTH")
        case _:
            plant.do(make_batch, 5, key="BATCH", part=plant.fuse, sources=[reel])
    assert candidates_at(plant.slot_r, ticks(3)) == {"CB-1", None}
    assert candidates_at(plant.slot_r, ticks(6)) == {None}


def test_what_is_poured_into_hangs_where_it_is() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(merge_containers, 5, sources=[plant.reel()], into=reel)
    assert candidates_at(plant.slot_r, ticks(3)) == candidates_at(plant.slot_r, ticks(6)) == {"CB-1"}


def test_a_sighting_entered_late_narrows_when_it_left() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(store_container, 9, container=reel, store="SHELF")
    plant.do(find_on_feed, 7, feed=plant.slot_r, container=reel)
    assert candidates_at(plant.slot_r, ticks(6)) == {"CB-1"}
    assert candidates_at(plant.slot_r, ticks(8)) == {"CB-1", None}


def test_a_load_entered_after_a_later_scan_elsewhere_ends_there() -> None:
    plant = Plant()
    other = plant.do(define_feed, key="OTHER", station=plant.insertion)
    reel = plant.reel("CB-1")
    plant.do(load_feed, 9, feed=other, container=reel)
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel)
    assert candidates_at(plant.slot_r, ticks(20)) == {None}
    assert candidates_at(other, ticks(20)) == {"CB-1"}


def test_a_head_of_a_finished_tape_gave_it_or_unknown() -> None:
    plant = Plant()
    head = tape_of(plant, board_sets=10)
    reel = plant.reel("CB-1", plant.capacitor)
    plant.do(load_feed, 1, feed=head, container=reel, position=(0, 0))
    plant.do(finish_tape, 5, tape=head.axis.tape, board_sets=12)
    plant.do(store_container, 9, container=reel, store="SHELF")
    assert spans_of(head) == [(0, 12, "CB-1"), (0, OPEN, None)]


def test_a_lot_may_be_loaded_on_its_last_day() -> None:
    plant = Plant()
    plant.do(load_feed, 5, feed=plant.slot_r, container=plant.reel("CB-1", expiry=date(2026, 3, 2)))


def test_a_counting_station_wants_its_cycles() -> None:
    plant = Plant(counts_cycles=True)
    reel = plant.reel("CB-1")
    refused(plant, "feed-refused", load_feed, feed=plant.slot_r, container=reel)
    plant.do(load_feed, 5, feed=plant.slot_r, container=reel, position=(7, 9))
    assert spans_of(plant.slot_r) == [(0, 9, None), (7, OPEN, "CB-1")]


# Sightings -----------------------------------------------------------------------------------------------------------


def test_a_container_seen_where_it_is_on_record_changes_nothing() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    before = spans_of(plant.slot_r)
    assert plant.do(find_on_feed, 5, feed=plant.slot_r, container=reel).act == FeedRecord.Act.SIGHTING
    assert spans_of(plant.slot_r) == before


def test_a_change_found_late_lies_between_the_last_sighting_and_the_finding() -> None:
    plant = Plant()
    old, new = plant.reel("OLD"), plant.reel("NEW")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(find_on_feed, 5, feed=plant.slot_r, container=old)
    assert plant.do(find_on_feed, 9, feed=plant.slot_r, container=new).act == FeedRecord.Act.FOUND
    assert candidates_at(plant.slot_r, ticks(4)) == {"OLD"}
    assert candidates_at(plant.slot_r, ticks(7)) == {"OLD", "NEW", None}
    assert candidates_at(plant.slot_r, ticks(9)) == {"NEW"}


@pytest.mark.parametrize(("add", "details"), [(top_up_feed, {}), (splice_feed, {"lead": 40, "tolerance": 5})])
def test_what_was_added_since_does_not_show_what_was_there(add, details) -> None:
    """The change may have come before the pour or the splice, which then went on what was found."""
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("OLD"))
    plant.do(add, 5, feed=plant.slot_r, container=plant.reel("ADDED"), **details)
    plant.do(find_on_feed, 9, feed=plant.slot_r, container=plant.reel("NEW"))
    assert candidates_at(plant.slot_r, ticks(3)) == {"OLD", "NEW", None}
    assert {key for _, end, key in spans_of(plant.slot_r) if end == OPEN} == {"NEW", "ADDED"}


def test_a_splice_whose_old_is_through_shows_what_was_there() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("OLD"))
    plant.do(splice_feed, 5, feed=plant.slot_r, container=plant.reel("SPLICED"), lead=0, tolerance=0)
    plant.do(find_on_feed, 9, feed=plant.slot_r, container=plant.reel("NEW"))
    assert candidates_at(plant.slot_r, ticks(3)) == {"OLD"}
    assert candidates_at(plant.slot_r, ticks(7)) == {"SPLICED", "NEW", None}
    assert candidates_at(plant.slot_r, ticks(9)) == {"NEW"}


def test_a_splice_seen_before_its_first_part_is_drawn_is_expected_there() -> None:
    plant = Plant()
    old, new = plant.reel("OLD"), plant.reel("NEW")
    plant.do(load_feed, 1, feed=plant.slot_r, container=old)
    plant.do(splice_feed, 5, feed=plant.slot_r, container=new, lead=40, tolerance=5)
    assert plant.do(find_on_feed, 9, feed=plant.slot_r, container=new).act == FeedRecord.Act.SIGHTING
    assert candidates_at(plant.slot_r, ticks(20)) == {"OLD"}


# Taking off ----------------------------------------------------------------------------------------------------------


def test_one_known_container_goes_back_under_its_own_label() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    assert plant.do(take_off_feed, 5, feed=plant.slot_r) == reel
    assert not Derivation.objects.exists()
    assert candidates_at(plant.slot_r, ticks(6)) == {None}


def mixed(plant: Plant, **lots: str) -> None:
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1", **lots))
    plant.do(top_up_feed, 5, feed=plant.slot_r, container=plant.reel("CB-2", **lots))


def test_a_mixture_needs_a_label_and_gets_a_lot_of_the_plants_own() -> None:
    plant = Plant()
    mixed(plant)
    refusal = refused(plant, "feed-refused", take_off_feed, feed=plant.slot_r)
    assert "CB-1" in refusal.message and "CB-2" in refusal.message and "label" in refusal.action
    refused(plant, "key-in-use", take_off_feed, feed=plant.slot_r, label="CB-1")
    result = plant.do(take_off_feed, 9, feed=plant.slot_r, label="CB-9")
    assert (result.lot.supplier, result.own) == (plant.plant, False)
    assert sources_of(result) == {"CB-1", "CB-2"}


def test_a_mixture_of_one_lot_stays_in_it() -> None:
    plant = Plant()
    mixed(plant, lot="L")
    assert plant.do(take_off_feed, 9, feed=plant.slot_r, label="CB-9").lot.key == "L"


def test_a_remainder_goes_into_a_container_whose_label_it_bears() -> None:
    plant = Plant()
    mixed(plant)
    wrong, gone = plant.reel("CB-8", plant.capacitor), plant.reel("CB-7")
    plant.do(discard_container, 6, container=gone, reason="x")
    for container in (wrong, gone):
        refused(plant, "feed-refused", take_off_feed, feed=plant.slot_r, into=container)
    first = Container.objects.get(key="CB-1")
    assert plant.do(take_off_feed, 9, feed=plant.slot_r, into=first) == first
    assert sources_of(first) == {"CB-2"}


def test_nothing_and_nobody_knows_what_can_not_be_taken_off() -> None:
    plant = Plant()
    refused(plant, "feed-refused", take_off_feed, feed=plant.slot_r)
    refused(plant, "feed-refused", take_off_feed, feed=plant.slot_r, label="CB-9")
    plant.do(clear_feed, 5, feed=plant.slot_r)
    refused(plant, "feed-refused", take_off_feed, feed=plant.slot_r, label="CB-9")


def test_a_held_container_may_be_taken_off() -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    plant.do(load_feed, 1, feed=plant.slot_r, container=reel)
    plant.do(place_holds, 2, targets=[reel, plant.slot_r, plant.insertion], reason="a crack")
    assert plant.do(take_off_feed, 5, feed=plant.slot_r) == reel


def test_a_splice_long_past_is_alone_in_the_remainder() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("OLD"))
    plant.do(splice_feed, 2, feed=plant.slot_r, container=plant.reel("NEW"), lead=3, tolerance=1)
    for n, board in enumerate(plant.boards(2)):
        plant.run(board, plant.insertion, 5 + 2 * n, 6 + 2 * n)
    assert plant.do(take_off_feed, 20, feed=plant.slot_r).key == "NEW"


def test_a_late_record_reckons_a_remainder_anew() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    result = plant.do(take_off_feed, 9, feed=plant.slot_r, label="CB-9")
    assert sources_of(result) == {"CB-1"}
    late = plant.do(top_up_feed, 5, feed=plant.slot_r, container=plant.reel("CB-2"))
    assert sources_of(result) == {"CB-1", "CB-2"}
    plant.do(void_feed_record, 20, record=late, reason="another slot")
    assert sources_of(result) == {"CB-1"}
    assert Derivation.objects.exclude(superseded=None).count() == 1


def test_a_record_is_voided_once_and_with_a_reason() -> None:
    plant = Plant()
    record = plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    refused(plant, "correction-refused", void_feed_record, record=record, reason=" ")
    plant.do(void_feed_record, 5, record=record, reason="wrong slot")
    assert spans_of(plant.slot_r) == [(0, OPEN, None)]
    refused(plant, "correction-refused", void_feed_record, record=record, reason="wrong slot")


# Baths and tapes -----------------------------------------------------------------------------------------------------


def test_a_bath_is_charged_dumped_and_cleaned() -> None:
    plant = Plant()
    bath = plant.do(define_feed, key="BATH", station=plant.insertion, kind=Feed.Kind.BATH)
    first, second = plant.reel("BAR-1", plant.fuse), plant.reel("BAR-2", plant.fuse)
    plant.do(charge_bath, 1, feed=bath, container=first)
    plant.do(dump_bath, 5, feed=bath)
    plant.do(charge_bath, 6, feed=bath, container=second)
    assert candidates_at(bath, ticks(7)) == {None, "BAR-1", "BAR-2"}
    plant.do(dump_bath, 9, feed=bath, cleaned=True)
    assert candidates_at(bath, ticks(10)) == {None}
    refused(plant, "feed-refused", charge_bath, feed=plant.slot_r, container=plant.reel("CB-1"))
    refused(plant, "feed-refused", dump_bath, feed=plant.slot_r)


def tape_of(plant: Plant, board_sets: int = 20) -> Feed:
    plant.do(
        start_tape,
        key="T1",
        assembly=plant.board,
        sequence=["R1", "C1", "R2"],
        heads={"A": (4, ["R1", "R2"]), "B": (9, ["C1"])},
        board_sets=board_sets,
    )
    return Feed.objects.get(key="T1-B")


def test_a_change_at_a_head_takes_effect_where_its_next_component_lands() -> None:
    plant = Plant()
    head = tape_of(plant)
    # Three links to a set, C1 the second: with 9 links to go, the next C1 is that of set 3 once no link has passed.
    assert [head_position(head, chain) for chain in (0, 1, 2, 3)] == [(3, 3), (3, 3), (4, 4), (4, 4)]
    assert head_position(head, 0, 2) == (3, 4)
    refused(plant, "feed-refused", load_feed, feed=head, container=plant.reel("CB-1", plant.capacitor))
    for key, chain in (("CB-2", 0), ("CB-3", 20)):
        plant.do(
            load_feed, 5, feed=head, container=plant.reel(key, plant.capacitor), position=head_position(head, chain)
        )
    assert spans_of(head) == [(0, 3, None), (3, 10, "CB-2"), (10, OPEN, "CB-3")]
    with pytest.raises(FeedRefused, match="no head"):
        head_position(plant.slot_r, 0)


def test_a_splice_on_a_tape_reaches_sets_that_were_not_planned() -> None:
    plant = Plant()
    head = tape_of(plant, board_sets=10)
    plant.do(load_feed, 1, feed=head, container=plant.reel("OLD", plant.capacitor), position=(0, 0))
    new = plant.reel("NEW", plant.capacitor)
    plant.do(splice_feed, 2, feed=head, container=new, lead=4, tolerance=1, position=(8, 8))
    assert spans_of(head) == [(0, 13, "OLD"), (11, OPEN, "NEW")]


def test_a_place_on_a_tape_is_filled_by_hand() -> None:
    plant = Plant()
    head = tape_of(plant)
    plant.do(load_feed, 1, feed=head, container=plant.reel("CB-1", plant.capacitor), position=(0, 0))
    other = plant.reel("CB-2", plant.capacitor)
    plant.do(fill_by_hand, 5, feed=head, container=other, board_set=7)
    assert spans_of(head) == [(0, 7, "CB-1"), (7, 8, "CB-2"), (8, OPEN, "CB-1")]
    refused(plant, "feed-refused", fill_by_hand, feed=plant.slot_r, container=plant.reel(), board_set=7)
    assert SetUp.objects.get(axis__tape__key="T1").lines.count() == 3


def test_a_substitute_may_come_off_with_the_part_it_stands_for() -> None:
    plant = Plant()
    other = make_part("RES-B")
    approve_substitute(plant.board, "R1", other)
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    plant.do(top_up_feed, 2, feed=plant.slot_r, container=plant.reel("CB-2", other))
    result = plant.do(take_off_feed, 5, feed=plant.slot_r, label="CB-9")
    assert sources_of(result) == {"CB-1", "CB-2"}


def test_what_is_found_is_recorded_though_it_may_not_be_there() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1"))
    wrong, expired, held = (
        plant.reel("CB-3", plant.capacitor),
        plant.reel("CB-4", expiry=date(2026, 3, 1)),
        plant.reel("CB-5"),
    )
    plant.do(place_holds, 2, targets=[held], reason="a crack")
    for minute, container in ((5, wrong), (6, expired), (7, held)):
        plant.do(find_on_feed, minute, feed=plant.slot_r, container=container)
        assert container.key in candidates_at(plant.slot_r, ticks(minute))
    (board,) = plant.boards()
    assert refused(plant, "stopped", start_pass, 8, unit=board, station=plant.insertion).extra["rule"] == "held"


@pytest.mark.parametrize("count", [-1, 2**31])
def test_impossible_counts_are_refused(count: int) -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    refused(plant, "feed-refused", load_feed, feed=plant.slot_r, container=reel, quantity=count)
    refused(plant, "feed-refused", splice_feed, feed=plant.slot_r, container=reel, lead=count, tolerance=0)


def test_a_lot_that_expires_on_a_feed_stops_the_next_unit() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("CB-1", expiry=date(2026, 3, 2)))
    first, second = plant.boards(2)
    plant.do(start_pass, 2, unit=first, station=plant.insertion)
    late = refused(plant, "stopped", start_pass, 60 * 24, unit=second, station=plant.insertion)
    assert late.extra["rule"] == "expired"


@pytest.mark.parametrize("late", [False, True], ids=["in order", "the load late"])
def test_what_was_divided_elsewhere_had_left_its_feed_whichever_is_entered_first(late: bool) -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    deeds = [
        lambda: plant.do(load_feed, 2, feed=plant.slot_r, container=reel),
        lambda: plant.do(split_container, 9, source=reel, key="S1"),
    ]
    for deed in reversed(deeds) if late else deeds:
        deed()
    assert [candidates_at(plant.slot_r, ticks(minute)) for minute in (5, 10)] == [{"CB-1", None}, {None}]
