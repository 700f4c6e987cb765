"""The commands with both times, and a unit with a child that is not known."""

from __future__ import annotations

import json
import time

import pytest

from tests.factories import Plant
from tests.management.test_affected import run
from trace.core.clock import from_ticks, now_ticks
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.findings import find_child
from trace.floor.operations.fittings import fit_child

pytestmark = pytest.mark.django_db


def this_moment() -> str:
    text = from_ticks(now_ticks()).isoformat()
    time.sleep(0.01)
    return text


def test_affected_and_asbuilt_as_known() -> None:
    plant = Plant()
    plant.do(load_feed, 1, feed=plant.slot_r, container=plant.reel("BAD", lot="LOT-7"))
    (board,) = plant.boards()
    entry = plant.run(board, plant.insertion, 2, 3)
    known = this_moment()
    plant.do(void_pass, 4, entry=entry, reason="wrong traveller")
    assert "is in no unit" in run("LOT-7")
    then = run("LOT-7", "--known", known)
    assert "is in 1 unit: 1 certain" in then and "As known on" in then and ", looking at now (UTC)." in then
    answer = json.loads(run("LOT-7", "--known", known, "--at", "2026-03-02 06:01", "--json"))
    assert answer["counts"]["units"] == 0
    assert answer["known"] is not None and answer["at"] is not None
    assert json.loads(run("LOT-7", "--json"))["known"] is None
    assert "LOT-7" in run(board.key, "--known", known, command="asbuilt")
    assert "LOT-7" not in run(board.key, command="asbuilt")
    assert json.loads(run(board.key, "--known", known, "--json", command="asbuilt"))["known"] is not None


def test_asbuilt_of_a_unit_with_an_unknown_child() -> None:
    plant = Plant()
    boards, products = plant.boards(2), plant.products(2)
    for minute, (product, board) in enumerate(zip(products, boards, strict=True), 5):
        plant.finish(board, 1)
        plant.do(fit_child, minute, unit=product, designator="M1", child=board)
    plant.do(find_child, 20, unit=products[1], designator="M1", child=boards[0])
    text = " ".join(run(products[0].key, command="asbuilt").split())
    assert "A unit that is not known since 2026-03-02 06:20, or earlier, after 2026-03-02 06:05 by Ann" in text
    assert f"{boards[0].key} was on record here, and was found in {products[1].key} at M1" in text
    assert "not known: on record in" in run(boards[1].key, command="asbuilt")
    (place, *_) = json.loads(run(products[0].key, "--json", command="asbuilt"))["unit"]["places"]
    kinds = {(entry["kind"], entry["standing"], entry["doubted"] is None) for entry in place["entries"]}
    assert kinds == {("child", False, False), ("unknown", True, True)}
