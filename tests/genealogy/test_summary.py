"""A population in numbers: each physical thing once."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from trace.core.clock import OPEN
from trace.engineering.models import Step
from trace.floor.operations.corrections import void_pass
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.queries import find_due_step
from trace.genealogy.forward import summarise_population, trace_forward
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.whereabouts import Place, find_whereabouts

pytestmark = pytest.mark.django_db


def test_a_board_cleared_before_marriage_is_counted_though_its_parent_never_carried() -> None:
    plant = Plant()
    bad, good = plant.reel("BAD"), plant.reel("GOOD")
    plant.do(load_feed, 1, feed=plant.slot_r, container=bad)
    board = plant.finish(*plant.boards(), 10)
    for designator in ("R1", "R2"):
        plant.do(fit_part, 20, unit=board, designator=designator, container=good, reason="it drifts")
    (product,) = plant.products()
    plant.do(fit_child, 30, unit=product, designator="M1", child=board)

    population = trace_forward(Suspicion.of(lots=[bad.lot]))
    summary = summarise_population(population)
    assert (summary.units, summary.cleared) == (0, 1)
    assert [(c.key, c.top) for c in population.tops()] == [(board.key, product.key)]
    assert summary.sentence("Lot BAD") == "Lot BAD is in no unit. 1 carried it and no longer does."


def test_a_unit_with_an_unpassed_step_is_not_finished() -> None:
    plant = Plant()
    board = plant.finish(*plant.boards(), 10)
    assert find_whereabouts({board.pk}, OPEN)[board.pk].kind == Place.FINISHED
    first = board.passes.get(step__number=10)
    plant.do(void_pass, 20, entry=first, reason="another board was scanned")
    assert find_due_step(board) == first.step
    assert find_whereabouts({board.pk}, OPEN)[board.pk].kind == Place.WAITING


def test_a_unit_that_passed_one_of_two_alternatives_is_finished() -> None:
    plant = Plant()
    other = Step.objects.create(part=plant.board, number=30, name="Test by hand", alternative="test")
    other.stations.set([plant.final])
    Step.objects.filter(part=plant.board, number=20).update(alternative="test")
    board, late = plant.boards(2)
    for unit, minute in ((board, 10), (late, 12)):
        plant.run(unit, plant.insertion, minute, minute + 1)
    assert find_whereabouts({board.pk}, OPEN)[board.pk].kind == Place.WAITING
    plant.run(board, plant.final, 15, 16)
    found = find_whereabouts({board.pk, late.pk}, OPEN)
    assert find_due_step(board) is None and found[board.pk].kind == Place.FINISHED
    assert found[late.pk].kind == Place.WAITING
