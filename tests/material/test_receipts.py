"""Suppliers' packages received, once each, from approved sources or into quarantine; what was announced scanned off."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_part, make_person, moment
from tests.refusals import refused
from trace.core.permissions import Role
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.stores import store_container
from trace.holds.models import Hold
from trace.holds.operations import release_hold
from trace.ledger.models import Event, EventSubject
from trace.material.models import Container, Delivery, Expected, Lot, Receipt
from trace.material.operations.deliveries import ExpectedRow, close_delivery, expect_delivery
from trace.material.operations.receipts import Package, PackageLot, receive_into_quarantine, receive_package
from trace.material.operations.sources import approve_source, withdraw_source
from trace.material.operations.stock import define_supplier
from trace.material.queries import summarise_delivery

pytestmark = pytest.mark.django_db

LABEL = "[)>␞06␝1PA-1␝Q500␝1TBF1103␞␄"


@pytest.fixture
def plant() -> Plant:
    plant = Plant()
    plant.do(approve_source, part=plant.resistor, supplier=plant.supplier, number="A-1")
    return plant


def package(*lots: tuple[str, int | None], **details: Any) -> Package:
    lots = lots or (("BF1103", 500),)
    made = [PackageLot(number, None if amount is None else Decimal(amount)) for number, amount in lots]
    return Package(**{"number": "A-1", "lots": made, **details})


def receive(plant: Plant, minute: float = 10, *lots: tuple[str, int | None], **details: Any) -> Receipt:
    return plant.do(receive_package, minute, supplier=plant.supplier, package=package(*lots, **details))


def test_a_package_becomes_a_container_under_keys_of_ours(plant: Plant) -> None:
    told = PackageLot("bf/1103", Decimal(500), "2605", date(2027, 1, 31))
    whole = Package("A-1", [told], "pk-7", "4500123", "20", "D-9", "de", LABEL)
    receipt = plant.do(receive_package, 10, supplier=plant.supplier, package=whole, kind="bag", store="A1")
    (container,) = receipt.containers.all()
    assert (container.key, container.kind, container.store, container.quantity) == ("BF-1103-1", "bag", "A1", 500)
    lot = container.lot
    assert (lot.key, lot.number, lot.date_code, lot.expiry) == ("BF-1103", "bf/1103", "2605", date(2027, 1, 31))
    assert (lot.part, container.part, receipt.source and receipt.source.number) == (
        plant.resistor,
        plant.resistor,
        "A-1",
    )
    assert (receipt.package, receipt.order, receipt.order_line) == ("PK-7", "4500123", "20")
    assert (receipt.delivery, receipt.origin, receipt.label) == ("D-9", "DE", LABEL)
    assert receive(plant, 11, ("bf/1103", 5)).containers.get().lot != lot  # another date code is another lot
    again = plant.do(receive_package, 12, supplier=plant.supplier, package=Package("A-1", [told]))
    assert again.containers.get().key == "BF-1103-2" and again.containers.get().lot == lot
    subjects = EventSubject.objects.filter(event=Event.objects.filter(verb="receive_package").earliest("pk"))
    assert {("lot", "BF-1103"), ("container", "BF-1103-1"), ("part", "RES")} <= set(subjects.values_list("kind", "key"))


def test_keys_are_free_and_may_be_given(plant: Plant) -> None:
    plant.lot("BF1103")
    plant.reel("ACME-BF1103-1", lot="OTHER")
    receipt = receive(plant)
    assert receipt.containers.get().key == "ACME-BF1103-2" and receipt.containers.get().lot.key == "ACME-BF1103"
    odd = receive(plant, 11, ("№ ü", 1)).containers.get()
    assert (odd.lot.key, odd.key) == ("X", "X-1")
    own = [PackageLot("N9", Decimal(1), lot="MY-LOT", container="my-reel")]
    given = plant.do(receive_package, 12, supplier=plant.supplier, package=Package("A-1", own))
    assert (given.containers.get().key, given.containers.get().lot.key) == ("MY-REEL", "MY-LOT")


def test_several_lots_in_a_package_are_several(plant: Plant) -> None:
    receipt = receive(plant, 10, ("2401AA", 1000), ("2402AB", 500))
    found = receipt.containers.order_by("pk").values_list("lot__number", "quantity")
    assert list(found) == [("2401AA", 1000), ("2402AB", 500)]


def test_a_package_is_received_once(plant: Plant) -> None:
    first = receive(plant, package="PK-7")
    told = {"supplier": plant.supplier, "package": package(package="pk-7", label=LABEL)}
    again = refused(plant, "received-before", receive_package, **told)
    assert "Package PK-7 was received at 2026-03-02 06:10 UTC by Ann, as BF1103-1." in again.message
    assert again.extra == {"receipts": [first.pk], "copy": None}
    refused(plant, "received-before", receive_package, **told, copy=2)
    receive(plant, 11, package="PK-8", label=LABEL)
    other_id = {**told, "package": package(package="PK-9", label=LABEL)}  # the very label of another
    assert "Package PK-8 was received" in refused(plant, "received-before", receive_package, **other_id).message
    other = plant.do(define_supplier, key="BETA", name="Beta")
    plant.do(approve_source, part=plant.resistor, supplier=other, number="A-1")
    plant.do(receive_package, 12, supplier=other, package=package(package="PK-7"))


def test_a_label_without_an_id_may_be_that_of_another_package(plant: Plant) -> None:
    receive(plant, label=LABEL)
    told = {"supplier": plant.supplier, "package": package(label=LABEL)}
    again = refused(plant, "received-before", receive_package, **told)
    assert "with this very label" in again.message and again.extra["copy"] == 2
    more = [plant.do(receive_package, 60 + n, **told, copy=2 + n).copy for n in range(2)]
    refused(plant, "received-before", receive_package, **told, copy=3)  # said twice, it is done once
    assert more == [2, 3] and Container.objects.filter(lot__number="BF1103").count() == 3
    assert "as BF1103-3" in refused(plant, "received-before", receive_package, **told).message


def test_only_approved_sources_deliver(plant: Plant) -> None:
    other, beta = make_part("OTHER"), plant.do(define_supplier, key="BETA", name="Beta")
    for wrong in (
        {"package": package(number="A-2")},
        {"package": package(number="")},
        {"part": other},
        {"supplier": beta},
        {"at": moment(-1)},
    ):
        told = {"supplier": plant.supplier, "package": package(), **wrong}
        assert "no approved source" in refused(plant, "source-not-approved", receive_package, **told).message
    plant.do(receive_package, 10, supplier=plant.supplier, package=package(number=""), part=plant.resistor)
    source = plant.resistor and plant.supplier.sources.get()
    plant.do(withdraw_source, 30, source=source, reason="cracked bodies")
    refused(plant, "source-not-approved", receive_package, 31, supplier=plant.supplier, package=package())
    assert receive(plant, 29, ("LATE", 5)).source == source  # entered late: it was approved then


@pytest.mark.parametrize(
    ("code", "wrong"),
    [
        ("stock-refused", {"lots": []}),
        ("stock-refused", {"lots": [PackageLot("")]}),
        ("stock-refused", {"lots": [PackageLot("L", Decimal(0))]}),
        ("stock-refused", {"origin": "D1"}),
        ("bad-text", {"origin": "DEU"}),
        ("bad-text", {"package": "P" * 61}),
        ("bad-text", {"label": "x" * 1001}),
        ("bad-text", {"order": "\0"}),
        ("key-in-use", {"lots": [PackageLot("L", container="TAKEN")]}),
    ],
)
def test_what_can_not_be_received_is_refused_whole(plant: Plant, code: str, wrong: dict[str, Any]) -> None:
    plant.reel("TAKEN")
    told = {"number": "A-1", "lots": [PackageLot("L", Decimal(1))], "label": LABEL, **wrong}
    refused(plant, code, receive_package, supplier=plant.supplier, package=Package(**told))


def test_what_comes_from_no_approved_source_waits_in_quarantine(plant: Plant) -> None:
    told = {"supplier": plant.supplier, "part": plant.capacitor, "package": package(("Q1", 50), number="C-9")}
    refused(plant, "hold-refused", receive_into_quarantine, **told, reason=" ")
    receipt = plant.do(receive_into_quarantine, 10, **told, reason="The buyer took what there was.", store="cage")
    (container,) = receipt.containers.all()
    hold = Hold.objects.get()
    assert receipt.source is None and container.part == plant.capacitor
    assert (hold.target_kind, hold.target_key, hold.permits) == ("lot", container.lot.key, ["store", "scrap"])
    assert hold.reason == "The buyer took what there was." and hold.placed_by == plant.ann
    refused(plant, "held", load_feed, feed=plant.slot_c, container=container)
    assert plant.do(store_container, 51, container=container, store="cage 2").store == "cage 2"
    plant.do(release_hold, 55, hold=hold, reason="Tested.")
    plant.do(load_feed, 60, feed=plant.slot_c, container=container)


def test_of_a_lot_that_was_here_before_only_what_came_is_held(plant: Plant) -> None:
    before = receive(plant).containers.get()
    plant.do(withdraw_source, 20, source=plant.supplier.sources.get(), reason="cracked bodies")
    told = {"supplier": plant.supplier, "part": plant.resistor, "package": package()}
    late = plant.do(receive_into_quarantine, 30, **told, reason="It was on its way.").containers.get()
    assert late.lot == before.lot
    assert list(Hold.objects.values_list("target_kind", "target_key")) == [("container", late.key)]


def test_into_quarantine_goes_nothing_that_is_approved_and_by_nobody_at_goods_in(plant: Plant) -> None:
    told = {"supplier": plant.supplier, "part": plant.resistor, "package": package(), "reason": "why not"}
    assert refused(plant, "source-not-approved", receive_into_quarantine, **told).action == "Receive it as usual."
    handler = make_person("HAN", roles=[Role.HANDLER])
    refused(plant, "not-permitted", receive_into_quarantine, **{**told, "part": plant.capacitor}, by=handler)
    plant.do(receive_package, 10, supplier=plant.supplier, package=package(), by=handler)


# Deliveries ----------------------------------------------------------------------------------------------------------


def rows(*told: tuple[str, str, int]) -> list[ExpectedRow]:
    return [ExpectedRow("A-1", lot, Decimal(amount), name) for name, lot, amount in told]


def announce(plant: Plant, *told: tuple[str, str, int], number: str = "D-9") -> Delivery:
    return plant.do(expect_delivery, 5, supplier=plant.supplier, number=number, rows=rows(*told))


def test_what_was_announced_is_scanned_off_and_what_differs_is_said(plant: Plant) -> None:
    delivery = announce(
        plant,
        ("P1", "L1", 500),
        ("P2", "L1", 500),
        ("P3", "L2", 500),
        ("", "L3", 80),
        ("P4", "L4", 10),
        ("P4", "L5", 20),
    )
    assert (delivery.key, delivery.lines.count()) == ("ACME-D-9", 6)
    assert receive(plant, 10, ("L1", 500), package="p1").delivery == "D-9"
    assert receive(plant, 11, ("L2", 480), package="P3", delivery="its own").delivery == "D-9"
    receive(plant, 12, ("L3", 80))
    receive(plant, 12.5, ("L3", 79))
    receive(plant, 13, ("L4", 10), ("L5", 20), package="P4")
    surplus = receive(plant, 14, ("L1", 500), package="P9", delivery="D-9")
    receive(plant, 15, ("L1", 500), package="P8", delivery="D-8")
    state = summarise_delivery(delivery)
    assert [line.package for line in state.missing] == ["P2"]
    assert [(line.package, amount) for line, amount in state.different] == [("P3", 480)]
    assert state.surplus == [surplus]
    refused(plant, "delivery-refused", close_delivery, delivery=delivery)
    refused(plant, "delivery-refused", close_delivery, delivery=delivery, remark="lost", at=moment(1))
    closed = plant.do(close_delivery, 60, delivery=delivery, remark="The carrier lost a box.")
    assert closed.closed_by == plant.ann
    refused(plant, "delivery-refused", close_delivery, delivery=delivery, remark="again")
    late = receive(plant, 70, ("L1", 500), package="P2")
    assert not late.expected.exists() and late.delivery == ""


def test_a_list_is_corrected_until_something_of_it_has_come(plant: Plant) -> None:
    announce(plant, ("P1", "L1", 500), ("P2", "L1", 500))
    delivery = announce(plant, ("P1", "L1", 400))
    assert [(line.package, line.quantity) for line in delivery.lines.all()] == [("P1", 400)]
    receive(plant, 10, ("L1", 400), package="P1")
    told = {"supplier": plant.supplier, "rows": rows(("P3", "L1", 1))}
    refused(plant, "delivery-refused", expect_delivery, **told, number="D-9")
    empty = announce(plant, ("P5", "L1", 1), number="D-10")
    plant.do(close_delivery, 20, delivery=empty, remark="never sent")
    refused(plant, "delivery-refused", expect_delivery, **told, number="D-10")


def test_every_wrong_row_of_a_list_is_named(plant: Plant) -> None:
    receive(plant, 10, ("L1", 1), package="P0")
    wrong = [
        ExpectedRow("A-2", "L", Decimal(1)),
        ExpectedRow("", "", Decimal(1)),
        ExpectedRow("A-1", "L", Decimal(0)),
        ExpectedRow("A-1", "L", Decimal("NaN")),
        ExpectedRow("A-1", "L", Decimal(1), "P1"),
        ExpectedRow("A-1", "L", Decimal(1), "p1"),
        ExpectedRow("A-1", "L", Decimal(1), "P0"),
    ]
    refusal = refused(plant, "delivery-refused", expect_delivery, supplier=plant.supplier, number="D", rows=wrong)
    assert [(problem.row, problem.field) for problem in refusal.extra["problems"]] == [
        (0, "number"), (1, "number"), (1, "lot"), (2, "quantity"), (3, "quantity"), (5, "package"), (6, "package"),
    ]  # fmt: skip
    for number, some in (("", rows(("P1", "L", 1))), ("D", [])):
        refused(plant, "delivery-refused", expect_delivery, supplier=plant.supplier, number=number, rows=some)
    refused(plant, "bad-text", expect_delivery, supplier=plant.supplier, number="D" * 61, rows=rows(("P1", "L", 1)))
    assert not Expected.objects.exists() and Lot.objects.count() == 1
