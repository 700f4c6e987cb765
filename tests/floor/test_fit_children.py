"""A rack's children fitted in one operation: the rules of one by one, in a fixed number of queries."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.factories import Plant
from trace.floor.models import Fitting
from trace.floor.operations.fittings import FittingRefused, fit_child, fit_children
from trace.floor.operations.orders import scrap_unit
from trace.material.operations.setups import WrongPart

pytestmark = pytest.mark.django_db


def pairs(plant, number):
    boards = plant.boards(number)
    for board in boards:
        plant.finish(board)
    return list(zip(plant.products(number), ["M1"] * number, boards, strict=True))


def test_fits_a_rack_together():
    plant = Plant()
    fits = pairs(plant, 3)
    done = plant.do(fit_children, 10, fits=fits)
    assert [(fitting.unit, fitting.designator, fitting.child) for fitting in done] == fits
    assert Fitting.objects.filter(until=None, holds="child").count() == 3


def test_queries_do_not_grow_with_the_rack():
    plant = Plant()
    counts = []
    for number in (2, 6):
        fits = pairs(plant, number)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            plant.do(fit_children, 10, fits=fits)
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_all_or_none():
    plant = Plant()
    fits = pairs(plant, 2)
    plant.do(scrap_unit, 5, unit=fits[1][2], reason="cracked")
    with pytest.raises(FittingRefused, match="was scrapped"):
        plant.do(fit_children, 10, fits=fits)
    assert not Fitting.objects.exists()


@pytest.mark.parametrize(
    ("change", "refusal", "sentence"),
    [
        (lambda a, b, plant: [a, (a[0], "M1", b[2])], FittingRefused, "named twice"),
        (lambda a, b, plant: [a, (b[0], "M1", a[2])], FittingRefused, "named twice"),
        (lambda a, b, plant: [a, (b[0], "X9", b[2])], FittingRefused, "no designator X9"),
        (lambda a, b, plant: [(a[0], "F1", a[2])], WrongPart, "does not belong at F1"),
        (lambda a, b, plant: [(a[0], "M1", plant.boards(1)[0])], FittingRefused, "not finished"),
        (lambda a, b, plant: [], FittingRefused, "Between 1 and 500"),
    ],
)
def test_refuses(change, refusal, sentence):
    plant = Plant()
    a, b = pairs(plant, 2)
    with pytest.raises(refusal, match=sentence):
        plant.do(fit_children, 10, fits=change(a, b, plant))
    assert not Fitting.objects.exists()


def test_refuses_what_is_fitted_or_a_place_that_is_taken():
    plant = Plant()
    a, b = pairs(plant, 2)
    plant.do(fit_child, 10, unit=a[0], designator="M1", child=a[2])
    with pytest.raises(FittingRefused, match="is on record inside"):
        plant.do(fit_children, 11, fits=[(b[0], "M1", a[2])])
    with pytest.raises(FittingRefused, match="holds"):
        plant.do(fit_children, 11, fits=[(a[0], "M1", b[2])])
