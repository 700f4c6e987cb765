"""Story 7 of the demo scenario, our own, its first half: a unit comes back with an intermittent fault, then two more;
each is looked into, and all three have their boards from one tape set-up. What was in them, and where they are, can be
read at each moment of it."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.approvals.signing import quality, sign_as
from tests.factories import moment
from tests.floor.sequencer import Sequencer, draw
from tests.refusals import refused
from tests.web.conftest import make_user
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import telling
from trace.core.keys import label_text
from trace.engineering.operations import define_fault_code
from trace.floor.models import Alias, Fault, Pass, Return, Shipment, Unit
from trace.floor.operations.aliases import record_serial, replace_label
from trace.floor.operations.dispatch import define_customer, load_shipment, pack_units, send_shipment
from trace.floor.operations.faults import record_repair
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.mounting import mount_tape
from trace.genealogy.forward import trace_forward
from trace.genealogy.suspicion import Suspicion
from trace.holds.models import Disposition
from trace.material.models import SetUp

pytestmark = pytest.mark.django_db


class Story:
    """Four products whose boards took the first board sets of a tape, shipped to one customer at minute 80."""

    def __init__(self) -> None:
        self.line = Sequencer(run=True)
        self.plant = plant = self.line.plant
        self.line.finish(30)
        told = {"station": plant.insertion, "assembly": plant.board, "board_set": 0}
        self.line.do(mount_tape, 35, **told)
        self.boards = [Unit.objects.get(key=draw(self.line, n, 40 + n)) for n in range(4)]
        self.products = plant.products(4, minute=50)
        for product, board in zip(self.products, self.boards, strict=True):
            plant.run(board, plant.test, 51, 52)
            plant.do(fit_child, 55, unit=product, designator="M1", child=board)
            plant.finish(product, 60)
        self.customer = plant.do(define_customer, key="NORD", name="Nord Air")
        self.fault = plant.do(define_fault_code, key="STOPS", name="stops at times")
        self.ship(self.products, 70)

    def ship(self, units: list[Unit], minute: float) -> None:
        key, carton = f"SH-{minute:g}", self.plant.carton(units, minute)
        self.plant.do(load_shipment, minute + 5, shipment=key, customer=self.customer, cartons=[carton])
        self.plant.do(send_shipment, minute + 10, shipment=Shipment.objects.get(key=key))


@pytest.fixture
def visitor(client: Client) -> Client:
    client.force_login(make_user())
    return client


def test_three_units_come_back_and_their_boards_have_one_tape_set_up(visitor: Client) -> None:
    story = Story()
    plant, (first, second, third, stays), boards = story.plant, story.products, story.boards
    plant.do(record_serial, 82, unit=second, kind=Alias.Kind.CUSTOMER, serial="4471")
    plant.do(replace_label, 65, unit=third, reason="smeared")

    def read(address: str) -> str:
        return text_of(visitor.get(address).content.decode())

    def post(minute: float, address: str, **told: str) -> str:
        with telling(moment(minute)):
            return text_of(visitor.post(address, told, follow=True).content.decode())

    # By its board's label, by the customer's serial, by a label that was replaced.
    for n, (text, unit) in enumerate(((boards[0].key, first), ("4471", second), (label_text(third.key), third))):
        address = f"/returns/receive/?q={text}"
        page = read(address)
        assert f"{unit.key}, Product" in page and "It left for NORD Nord Air on SH-70" in page
        told = {"do": "receive_return", "complaint": "stops after an hour", "fault_code": "STOPS"}
        assert "came back from NORD Nord Air" in post(100 + n, address, **told)
    assert list(Return.objects.values_list("unit", flat=True)) == [first.pk, second.pk, third.pk]
    with telling(moment(110)):
        page = read("/returns/")
        assert "3 returns are open" in page and "3 returns of 3 units were received" in page
        (row,) = rows_of(visitor.get("/returns/?csv=kinds"))
        assert (row["Units returned"], row["Units shipped in that time"]) == ("3", "4")
        assert row["Returned per thousand shipped"] == "750"  # 3 of 4, by hand
    assert "returned by NORD Nord Air in RET-00001" in read(f"/units/{first.key}/")
    then = read(f"/units/{first.key}/?at={moment(90):%Y-%m-%dT%H:%M}")
    assert "was shipped to NORD Nord Air" in then

    # Nothing moves before it is decided. The tear-down: the board is where the record has it, and faulty.
    address = f"/returns/{Return.objects.get(unit=first).key}/"
    refused(plant, "held", pack_units, 120, carton="CT-X", units=[first])
    assert "waits for findings" in read(address) and "Nothing in it was looked at yet" in read(address)
    seen = {"do": "find_child", "unit": first.key, "designator": "M1", "child": boards[0].key}
    assert "What was looked at is as recorded" in post(120, address, **seen)
    found = {"do": "record_fault", "unit": first.key, "fault_code": "STOPS", "designator": "M1", "remark": "C1 warm"}
    page = post(121, address, **found)
    assert "waits for a disposition" in page and "stops at times at M1" in page

    # The common factor: all three boards drew from one tape set-up, as did the one that is still out.
    assert {SetUp.objects.get(axis=Pass.objects.get(unit=board, step__number=10).axis).key for board in boards} == {
        SetUp.objects.get(axis__tape=story.line.tape).key
    }
    population = trace_forward(Suspicion.of(containers=[story.line.capacitors]))
    where = {top.key: str(top.where) for top in population.carrying()}
    assert all(where[unit.key].startswith("returned by Nord Air in RET-") for unit in (first, second, third))
    assert where[stays.key].startswith("shipped to Nord Air")

    # Decided, approved by another, mended, passed again, closed; then it is shipped once more, and comes back.
    told = {"number": "D-7", "decision": "repair", "reason": "C1 of the board opens when warm"}
    post(130, f"/decide/unit/{first.key}/", **told)
    with telling(moment(131)):
        sign_as(quality(), Disposition.objects.get(key="D-7"), 131)
    assert "waits to be closed" in read(address)
    fault, step = Fault.objects.get(unit=first), first.part.steps.get()
    (good,) = plant.boards(1, minute=132)
    plant.do(load_feed, 132, feed=plant.slot_r, container=plant.reel())
    plant.do(load_feed, 132, feed=plant.slot_c, container=plant.reel(part=plant.capacitor))
    plant.finish(good, 133)
    told = {"unit": first, "faults": [fault], "action": "replaced", "designator": "M1", "child": good, "returns": step}
    plant.do(record_repair, 140, **told)
    assert "is not finished" in post(141, address, do="close_return")
    plant.run(first, plant.final, 142, 143)
    assert "It was closed after 0 days: repair, board replaced" in post(
        144, address, do="close_return", outcome="board replaced"
    )
    story.ship([first], 150)
    happened = [row["What"] for row in rows_of(visitor.get(f"/units/{first.key}/?csv=timeline"))]
    assert [what for what in happened if what.startswith(("shipped", "returned by"))] == [
        "shipped to NORD Nord Air on SH-150",
        "returned by NORD Nord Air in RET-00001 (stops after an hour)",
        "shipped to NORD Nord Air on SH-70",
    ]
    post(200, f"/returns/receive/?q={first.key}", do="receive_return", complaint="stops again")
    with telling(moment(210)):
        assert "4 returns of 3 units were received" in read("/returns/")
    again = read("/returns/RET-00004/")
    assert "stops again" in again and "waits for findings" in again
