"""A population in numbers: each physical thing once."""

from __future__ import annotations

import pytest

from tests.factories import Plant
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child, fit_part
from trace.genealogy.forward import summarise_population, trace_forward
from trace.genealogy.suspicion import Suspicion

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
