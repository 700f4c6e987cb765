"""Two people scan one package, or packages of one lot, at once: it is received once, and keys are given once."""

from __future__ import annotations

from decimal import Decimal
from functools import partial

import pytest

from tests.factories import Plant
from tests.racing import race
from trace.material.models import Container, Receipt
from trace.material.operations.receipts import Package, PackageLot, receive_package
from trace.material.operations.sources import approve_source

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("round", range(3))
@pytest.mark.parametrize(("ids", "received"), [(("PK-1", "PK-1"), 1), (("PK-1", "PK-2"), 2), (("", ""), 1)])
def test_a_package_is_received_once_whoever_is_first(ids: tuple[str, str], received: int, round: int) -> None:
    plant = Plant()
    plant.do(approve_source, part=plant.resistor, supplier=plant.supplier, number="A-1")

    def scan(name: str) -> object:
        package = Package("A-1", [PackageLot("L1", Decimal(500))], name, label=f"[)>␞06␝1PA-1␝Q500␝1TL1␝3S{name}␞␄")
        return plant.do(receive_package, 10, supplier=plant.supplier, package=package)

    assert race(*(partial(scan, name) for name in ids)) == ["received-before"] * (2 - received)
    assert (Receipt.objects.count(), Container.objects.count()) == (received, received)
