"""A tape for a real through-hole board, in its own placement order, and what its boards are said to be made of.

The board: schlae/snark-barker at 56ed836b, CC BY-SA 4.0; its bill of material, and the placements extracted from its
board file, are kept beside the repository. What really lies in each place is followed here component by component: a
head that stands `distance` links up the chain puts down the component of link n when n - distance links have passed.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.approvals.signing import approved
from tests.factories import make_person, make_site, make_station, moment
from trace.engineering.models import Part
from trace.engineering.operations import (
    RouteRow,
    define_part,
    import_bom,
    import_placements,
    release_revision,
    set_route,
)
from trace.engineering.queries import list_insertion_order
from trace.floor.operations.feeds import fill_by_hand
from trace.floor.operations.mounting import mount_tape
from trace.floor.operations.orders import release_order
from trace.floor.operations.passes import record_passes
from trace.floor.operations.tapes import load_head, record_empty, resume_tape, stop_tape
from trace.floor.queries import get_unit
from trace.floor.tapes import plan_from_stock, read_building
from trace.genealogy.backward import trace_backward
from trace.material.models import Container, SetUp, Tape
from trace.material.operations.setups import finish_tape, start_tape
from trace.material.operations.stock import define_supplier, receive_lot

pytestmark = pytest.mark.django_db

BOARD_SETS, SPACING = 8, 5


class Works:
    """The plant, the board, and its parts in stock: of each a reel too short for the tape and one that is not."""

    def __init__(self, hardware) -> None:
        self.ann = make_person("ANN")
        self.site = make_site()
        self.inserter = make_station("INSERTER")
        supplier = self.do(define_supplier, key="ACME", name="Acme")
        self.board: Part = self.do(
            define_part, number="SNARK", name="sound card", kind=Part.Kind.ASSEMBLY, level=1, serialised=True
        )
        self.do(import_bom, assembly=self.board, content=hardware("snark-barker/SnarkBarker.csv"))
        placements = hardware("snark-barker/placements_from_kicad_pcb.csv")
        self.do(import_placements, assembly=self.board, content=placements)
        self.order = list_insertion_order(self.board)
        by_hand = sorted({*self.board.designators.values_list("name", flat=True)} - {*self.order})
        steps = [(10, "insertion", self.order), (20, "by hand", by_hand)]
        rows = [RouteRow(number=n, name=name, stations=["INSERTER"], designators=names) for n, name, names in steps]
        self.do(set_route, part=self.board, rows=rows)
        self.do(release_revision, part=approved(self.board))
        self.parts = {row.name: row.line.child for row in self.board.designators.select_related("line__child")}
        for n, part in enumerate(sorted({self.parts[name].pk for name in self.order})):
            places = sum(self.parts[name].pk == part for name in self.order)
            reels = [(f"P{n:02}-A", Decimal(3 * places)), (f"P{n:02}-B", Decimal(10 * places))]
            lot = {"key": f"LOT-{n:02}", "number": f"N{n}", "supplier": supplier, "containers": reels}
            self.do(receive_lot, 1, part=Part.objects.get(pk=part), **lot)

    def do(self, operation: Any, minute: float = 0, **told: Any) -> Any:
        return operation(**{"by": self.ann, "at": moment(minute), **told})


def test_every_board_names_the_reel_that_is_really_in_it(hardware) -> None:
    works = Works(hardware)
    planned = plan_from_stock(works.board, step=10, board_sets=BOARD_SETS, heads=80, spacing=SPACING, at=moment(2))
    assert list(planned.sequence) == works.order and len(works.order) == 191, (
        "193 places, a resistor and a bracket apart"
    )
    assert not planned.shortages and len(planned.changes) == len(planned.heads)
    assert {at for at, _, _ in planned.changes} == {3}, "each first reel is made to last three board sets"

    links = len(works.order)
    tape: Tape = works.do(
        start_tape, 3, key="T1", assembly=works.board, sequence=works.order, heads=planned.as_heads(),
        board_sets=BOARD_SETS,
    )  # fmt: skip
    heads = {head.name: head for head in read_building(tape).heads}
    for head in planned.heads:
        reel = Container.objects.get(key=head.loads[0].container)
        works.do(load_head, 4, feed=heads[head.name].feed, container=reel)
    works.do(resume_tape, 5, tape=tape)

    # Stopped in the middle of board set 3, of which only the number is read; each fifth head is changed there.
    chain = 3 * links + 77
    changed = planned.heads[::5]
    works.do(stop_tape, 10, tape=tape, board_set=3, reason="run out")
    for head in changed:
        works.do(
            load_head, 11, feed=heads[head.name].feed, container=Container.objects.get(key=head.loads[1].container)
        )
    # One place is found empty, and filled from another reel of the part.
    lone = planned.heads[1]
    works.do(record_empty, 12, feed=heads[lone.name].feed, designator=lone.designators[0], board_set=2)
    spare = Container.objects.get(key=lone.loads[1].container)
    works.do(fill_by_hand, 13, feed=heads[lone.name].feed, container=spare, board_set=2)
    works.do(resume_tape, 14, tape=tape)
    tape = works.do(finish_tape, 20, tape=tape, board_sets=BOARD_SETS)

    def really(board_set: int, name: str) -> str:
        head = next(head for head in planned.heads if name in head.designators)
        if (board_set, name) == (2, lone.designators[0]):
            return spare.key
        later = board_set * links + works.order.index(name) - head.distance >= chain
        return head.loads[1 if head in changed and later else 0].container

    works.do(mount_tape, 21, tape=tape, station=works.inserter, assembly=works.board, board_set=0)
    serials = [f"S-{k}" for k in range(BOARD_SETS)]
    works.do(release_order, 22, key="WO-1", part=works.board, site=works.site, serials=serials)
    setup = SetUp.objects.get(axis__tape=tape)
    several = 0
    for k, serial in enumerate(serials):
        unit, scans = get_unit(serial), {"entered": moment(30 + k), "at": moment(30.5 + k)}
        at = {"positions": [(k, k)], "setup": setup, "station": works.inserter}
        record_passes(units=[unit], by=works.ann, **scans, **at)
        places = {place.designator: place for place in trace_backward(unit).places}
        for name in works.order:
            said = {origin.container for entry in places[name].standing for origin in entry.origins}
            assert really(k, name) in said, (k, name, said)
            several += len(said) > 1
            head = next(head for head in planned.heads if name in head.designators)
            assert len(said) == 1 or head in changed or head == lone, "what was not changed is known"
    # A change read to the board set leaves each head's next set or two open, no more.
    assert 0 < several <= 2 * sum(len(head.designators) for head in changed) + len(lone.designators)
