"""Receiving, dividing and discarding stock."""

from decimal import Decimal

import pytest

from tests.factories import Plant, moment, ticks
from tests.refusals import refused
from trace.floor.operations.stores import make_batch, merge_containers, split_container
from trace.holds.operations import place_holds
from trace.ledger.models import Event
from trace.material.models import Container, Derivation, Lot, Supplier
from trace.material.operations.stock import define_supplier, discard_container, receive_lot

pytestmark = pytest.mark.django_db


def sources_of(container: Container) -> set[tuple[str | None, str]]:
    rows = Derivation.objects.filter(result=container, superseded=None)
    return set(rows.values_list("source__key", "deed"))


def test_a_lot_is_received_in_containers_and_more_of_it_later() -> None:
    plant = Plant()
    arguments = {"key": "L1", "supplier": plant.supplier, "part": plant.resistor, "number": " 77 ", "date_code": "2601"}
    lot = plant.do(receive_lot, 1, **arguments, containers=[("CB-1", Decimal(500)), ("cb-2", None)], store="A1")
    again = plant.do(receive_lot, 9, **arguments, containers=[("CB-3", None)])
    assert again == lot and (lot.number, lot.received) == ("77", moment(1))
    assert list(lot.containers.values_list("key", "quantity", "received", "own", "store")) == [
        ("CB-1", 500, ticks(1), True, "A1"),
        ("CB-2", None, ticks(1), True, "A1"),
        ("CB-3", None, ticks(9), True, ""),
    ]
    assert Event.objects.filter(subjects__kind="lot", subjects__key="L1").count() == 2


def test_receiving_is_refused() -> None:
    plant = Plant()
    plant.lot("L1", number="77", containers=[("CB-1", None)])
    good = {"key": "L2", "supplier": plant.supplier, "part": plant.resistor, "number": "78", "containers": []}
    for code, wrong in (
        ("stock-refused", {"part": plant.board}),
        ("stock-refused", {"number": "77"}),
        ("stock-refused", {"containers": [("CB-2", Decimal(1)), ("CB-3", Decimal(0))]}),
        ("stock-refused", {"containers": [("CB-2", Decimal(-1))]}),
        ("key-in-use", {"key": "L1"}),
        ("key-in-use", {"containers": [("CB-2", None), ("CB-1", None)]}),
        ("key-in-use", {"containers": [("CB-2", None), ("cb-2 ", None)]}),
        ("bad-key", {"key": "L 1"}),
        ("bad-key", {"containers": [("CB/2", None)]}),
    ):
        refused(plant, code, receive_lot, **{**good, **wrong})
    plant.do(receive_lot, **good)


def test_the_plant_is_a_supplier_once() -> None:
    plant = Plant()
    refused(plant, "stock-refused", define_supplier, key="OWN2", name="x", is_plant=True)
    refused(plant, "key-in-use", define_supplier, key="ACME", name="x")
    assert Supplier.objects.count() == 2


def test_a_split_stays_in_its_lot_and_knows_its_source() -> None:
    plant = Plant()
    reel = plant.reel("CB-1", minute=1)
    result = plant.do(split_container, 5, source=reel, key="CB-2", quantity=Decimal(100))
    assert (result.lot, result.own, result.quantity, result.kind) == (reel.lot, False, 100, reel.kind)
    assert sources_of(result) == {("CB-1", "split")}
    assert Derivation.objects.get().at == ticks(5)


def test_containers_of_several_lots_merge_into_a_lot_of_the_plants_own() -> None:
    plant = Plant()
    first, second = plant.reel("CB-1"), plant.reel("CB-2")
    result = plant.do(merge_containers, 5, sources=[first, second], key="CB-3")
    assert (result.lot.supplier, result.lot.part, result.own) == (plant.plant, plant.resistor, False)
    assert sources_of(result) == {("CB-1", "merge"), ("CB-2", "merge")}


def test_containers_of_one_lot_merge_within_it_and_one_pours_into_another() -> None:
    plant = Plant()
    first, second = plant.reel("CB-1", lot="L"), plant.reel("CB-2", lot="L2")
    other = plant.do(split_container, 2, source=first, key="CB-4")
    assert plant.do(merge_containers, 5, sources=[first, other], key="CB-3").lot == first.lot
    result = plant.do(merge_containers, 6, sources=[second, first], into=first)
    assert (result, result.own, sources_of(result)) == (first, True, {("CB-2", "merge")})


def test_a_batch_is_made_of_other_parts_in_a_lot_of_its_own() -> None:
    plant = Plant()
    sources = [plant.reel("CB-1"), plant.reel("CB-2", plant.capacitor)]
    batch = plant.do(make_batch, 5, key="MIX-1", part=plant.fuse, sources=sources, quantity=Decimal("2.5"))
    assert (batch.part, batch.lot.supplier, batch.own) == (plant.fuse, plant.plant, False)
    assert sources_of(batch) == {("CB-1", "batch"), ("CB-2", "batch")}


def test_dividing_is_refused() -> None:
    plant = Plant()
    reel, other, gone = plant.reel("CB-1"), plant.reel("CB-2", plant.capacitor), plant.reel("CB-3")
    plant.do(discard_container, 1, container=gone, reason="empty")
    split = {"source": reel, "key": "CB-9"}
    merge = {"sources": [reel, plant.reel("CB-4")], "key": "CB-9"}
    batch = {"sources": [reel], "key": "CB-9", "part": plant.fuse}
    for code, operation, good, wrong in (
        ("stock-refused", split_container, split, {"source": gone}),
        ("stock-refused", split_container, split, {"quantity": Decimal(0)}),
        ("key-in-use", split_container, split, {"key": "CB-1"}),
        ("bad-key", split_container, split, {"key": ""}),
        ("stock-refused", merge_containers, merge, {"sources": [reel, other]}),
        ("stock-refused", merge_containers, merge, {"sources": [reel, gone]}),
        ("stock-refused", merge_containers, merge, {"sources": []}),
        ("stock-refused", merge_containers, merge, {"sources": [reel], "into": reel}),
        ("stock-refused", merge_containers, merge, {"into": other}),
        ("key-in-use", merge_containers, merge, {"key": "CB-2"}),
        ("stock-refused", make_batch, batch, {"sources": []}),
        ("stock-refused", make_batch, batch, {"sources": [gone]}),
        ("stock-refused", make_batch, batch, {"part": plant.board}),
        ("stock-refused", make_batch, batch, {"quantity": Decimal(-1)}),
        ("key-in-use", make_batch, batch, {"key": "CB-2"}),
        ("stock-refused", discard_container, {"container": reel, "reason": "x"}, {"reason": " "}),
        ("stock-refused", discard_container, {"container": reel, "reason": "x"}, {"container": gone}),
    ):
        refused(plant, code, operation, **{**good, **wrong})
    refused(plant, "stock-refused", discard_container, -1, container=reel, reason="x")


def test_nothing_is_mixed_where_the_plant_is_not_known() -> None:
    plant = Plant()
    Supplier.objects.filter(is_plant=True).delete()
    first, second = plant.reel("CB-1"), plant.reel("CB-2")
    refused(plant, "stock-refused", merge_containers, sources=[first, second], key="CB-3")


@pytest.mark.parametrize("what", ["container", "lot"])
def test_what_is_held_is_neither_divided_nor_discarded(what: str) -> None:
    plant = Plant()
    reel = plant.reel("CB-1")
    free = plant.reel("CB-2")
    plant.do(place_holds, 5, targets=[reel if what == "container" else reel.lot], reason="a crack")
    for operation, arguments in (
        (split_container, {"source": reel, "key": "CB-9"}),
        (merge_containers, {"sources": [free, reel], "key": "CB-9"}),
        (merge_containers, {"sources": [free], "into": reel}),
        (make_batch, {"sources": [free, reel], "key": "CB-9", "part": plant.fuse}),
        (discard_container, {"container": reel, "reason": "x"}),
    ):
        refusal = refused(plant, "held", operation, **arguments)
        assert "a crack" in refusal.message
    plant.do(discard_container, 6, container=free, reason="used up")
    assert Container.objects.get(key="CB-2").gone == ticks(6)
    assert Lot.objects.count() == 2
