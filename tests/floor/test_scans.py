"""Bounds that a voided pass had set are set anew; a packed unit is not worked on in its carton."""

from __future__ import annotations

import pytest

from tests.factories import Plant, ticks
from tests.refusals import refused
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode
from trace.floor.models import Pass
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.passes import record_passes, start_pass

pytestmark = pytest.mark.django_db


def standing(unit, station) -> Pass:
    return Pass.objects.get(unit=unit, station=station, superseded=None)


def test_a_void_pass_no_longer_bounds_a_loose_one() -> None:
    plant = Plant(mode=ScanMode.LOOSE)
    (board,) = plant.boards()
    plant.do(record_passes, 10, units=[board], station=plant.insertion)
    wrong = plant.do(start_pass, 20, unit=board, station=plant.test)
    assert standing(board, plant.insertion).ended == ticks(20)

    plant.do(void_pass, 21, entry=wrong, reason="another board was scanned")
    loose = standing(board, plant.insertion)
    assert loose.ended == OPEN and loose.last == OPEN

    plant.do(start_pass, 40, unit=board, station=plant.test)
    assert standing(board, plant.insertion).ended == ticks(40)


def test_a_void_pass_no_longer_bounds_its_neighbour() -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    first, second, third = plant.boards(3)
    plant.do(start_pass, 10, unit=first, station=plant.insertion)
    wrong = plant.do(start_pass, 20, unit=second, station=plant.insertion)
    plant.do(start_pass, 30, unit=third, station=plant.insertion)
    assert standing(first, plant.insertion).ended == ticks(20)

    plant.do(void_pass, 31, entry=wrong, reason="it was never here")
    assert standing(first, plant.insertion).ended == ticks(30)


def test_a_gated_pass_keeps_its_own_scans() -> None:
    plant = Plant()
    (board,) = plant.boards()
    own = plant.run(board, plant.insertion, 10, 20)
    wrong = plant.do(start_pass, 20, unit=board, station=plant.test)
    plant.do(void_pass, 21, entry=wrong, reason="another board was scanned")
    own.refresh_from_db()
    assert own.ended == ticks(20)


def test_a_packed_unit_is_taken_out_before_it_is_worked_on() -> None:
    plant = Plant()
    board = plant.finish(*plant.boards(), 10)
    (product,) = plant.products()
    plant.do(fit_child, 20, unit=product, designator="M1", child=board)
    plant.finish(product, 30)
    plant.do(pack_units, 40, carton="BOX", units=[product])
    fuse = plant.reel("F", plant.fuse)
    refusal = refused(plant, "fitting-refused", fit_part, unit=product, designator="F1", container=fuse, reason="blown")
    assert "BOX" in refusal.message
