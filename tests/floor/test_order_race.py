"""Orders released at once: each serial is issued once, whichever of them is first."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from tests.racing import race
from trace.engineering.operations import set_serial_rule
from trace.floor.models import Unit, WorkOrder
from trace.floor.operations.aliases import replace_label
from trace.floor.operations.orders import release_order

pytestmark = pytest.mark.django_db(transaction=True)


def test_orders_released_at_once_share_no_serial_and_leave_none_out() -> None:
    plant = Plant()
    for part in ("BOARD", "PRODUCT"):  # two rules that number alike
        plant.do(set_serial_rule, number=part, prefix="S-", digits=4)
    parts = (plant.board, plant.product)

    def release(number: int):
        told = {"key": f"WO-{number}", "part": parts[number % 2], "site": plant.site, "quantity": 5}
        return lambda: plant.do(release_order, 5, **told)

    assert race(*(release(number) for number in range(10))) == []
    assert WorkOrder.objects.count() == 10
    assert sorted(Unit.objects.values_list("key", flat=True)) == [f"S-{number:04}" for number in range(1, 51)]


@pytest.mark.parametrize("round", range(3))
def test_given_serials_and_labels_are_given_once(round: int) -> None:
    plant = Plant()
    one, two = plant.boards(2)
    told = {"part": plant.board, "site": plant.site, "serials": ["S-1"]}
    codes = race(
        lambda: plant.do(release_order, 5, key="WO-1", **told),
        lambda: plant.do(release_order, 5, key="WO-2", **told),
        lambda: plant.do(replace_label, 5, unit=one, label="S-1", reason="torn"),
        lambda: plant.do(replace_label, 5, unit=two, label="S-1", reason="torn"),
    )
    assert len(codes) == 3 and set(codes) <= {"order-refused", "alias-refused"}
