"""Children found elsewhere than recorded: what is recorded, what is refused, what the interlock stops."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.factories import Plant, ticks
from tests.refusals import refused
from trace.floor.models import Fitting, LooseSighting, Unit
from trace.floor.operations.dispatch import pack_units
from trace.floor.operations.findings import find_child, find_empty, find_loose
from trace.floor.operations.fittings import fit_child, remove_part
from trace.floor.operations.passes import start_pass
from trace.genealogy.whereabouts import Place, find_whereabouts
from trace.holds.operations import place_holds
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db


def married(plant: Plant, number: int = 2) -> tuple[list[Unit], list[Unit]]:
    """Products, and boards fitted in them at minutes 5, 6, …"""
    boards, products = plant.boards(number), plant.products(number)
    for minute, (product, board) in enumerate(zip(products, boards, strict=True), 5):
        plant.finish(board, 1)
        plant.do(fit_child, minute, unit=product, designator="M1", child=board)
    return products, boards


def rows(unit: Unit) -> list[tuple[Any, ...]]:
    """(what, since, until, perhaps since, perhaps gone since) of what is on record at M1, in minutes."""

    def minutes(tick: int | None) -> float | None:
        return None if tick is None else (tick - ticks(0)) / 60_000_000

    return [
        (
            f.child.key if f.child else str(f.holds),
            *(minutes(tick) for tick in (f.since, f.until, f.earliest, f.doubted)),
        )
        for f in Fitting.objects.filter(unit=unit).order_by("since", "pk")
    ]


def test_a_child_found_in_another_parent_leaves_one_unknown_and_another_lost() -> None:
    plant = Plant()
    (a, b), (c, d) = married(plant)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    assert rows(a) == [(c.key, 5, 20, None, 5), ("unknown", 20, None, 5, None)]
    assert rows(b) == [(d.key, 6, 20, None, 6), ("unknown", 20, 20, 6, None), (c.key, 20, None, 6, None)]
    where = find_whereabouts([c.pk, d.pk], ticks(30))
    assert (where[c.pk].kind, where[c.pk].key) == (Place.FITTED, b.key)
    assert (where[d.pk].kind, where[d.pk].key) == (Place.UNKNOWN, b.key)
    assert "not known" in str(where[d.pk])
    before = find_whereabouts([c.pk, d.pk], ticks(15))
    assert (before[c.pk].kind, before[c.pk].key) == (Place.UNKNOWN, a.key)
    assert find_whereabouts([c.pk], ticks(5))[c.pk].kind == Place.FITTED


def test_scanning_what_is_there_ends_the_unknown() -> None:
    plant = Plant()
    (a, b), (c, d) = married(plant)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    plant.do(find_child, 25, unit=a, designator="M1", child=d)
    assert rows(a)[1:] == [("unknown", 20, 25, 5, None), (d.key, 25, None, 6, None)]
    assert find_whereabouts([d.pk], ticks(30))[d.pk].key == a.key


def test_a_child_found_where_it_is_recorded_was_seen_there() -> None:
    plant = Plant()
    (a, b), (c, _) = married(plant)
    plant.do(find_child, 10, unit=a, designator="M1", child=c)
    assert rows(a) == [(c.key, 5, 10, None, None), (c.key, 10, None, None, None)]
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    assert rows(a)[1:] == [(c.key, 10, 20, None, 10), ("unknown", 20, None, 10, None)]
    assert rows(b)[-1] == (c.key, 20, None, 10, None)


def test_a_child_found_loose() -> None:
    plant = Plant()
    (a, _), (c, _) = married(plant)
    sighting = plant.do(find_loose, 20, child=c)
    assert (sighting.unit, sighting.at) == (c, ticks(20))
    assert rows(a)[-1] == ("unknown", 20, None, 5, None)
    assert find_whereabouts([c.pk], ticks(30))[c.pk].kind == Place.FINISHED
    plant.do(pack_units, 31, carton="BOX", units=[c])


def test_a_place_found_empty() -> None:
    plant = Plant()
    (a, b), (c, d) = married(plant)
    plant.do(find_empty, 20, unit=a, designator="M1")
    assert rows(a) == [(c.key, 5, 20, None, 5), ("unknown", 20, 20, 5, None), ("nothing", 20, None, 5, None)]
    assert find_whereabouts([c.pk], ticks(30))[c.pk].kind == Place.UNKNOWN
    plant.do(find_loose, 40, child=c)
    assert find_whereabouts([c.pk], ticks(41))[c.pk].kind == Place.FINISHED
    plant.do(fit_child, 42, unit=a, designator="M1", child=c)
    plant.do(find_loose, 43, child=d)
    plant.do(find_empty, 44, unit=b, designator="M1")
    assert rows(b)[1:] == [("unknown", 43, 44, 6, None), ("nothing", 44, None, 6, None)]


def test_a_child_never_fitted_is_found_in_an_empty_place() -> None:
    plant = Plant()
    (board,), (product,) = plant.boards(), plant.products()
    plant.finish(board, 1)
    plant.do(find_child, 20, unit=product, designator="M1", child=board)
    assert rows(product) == [("unknown", 20, 20, 0, None), (board.key, 20, None, 2.5, None)]


def test_the_interlock_stops_what_has_an_unknown_child() -> None:
    plant = Plant()
    (a, b), (c, _) = married(plant)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    stop = refused(plant, "stopped", start_pass, 21, unit=a, station=plant.final)
    assert (stop.extra["rule"], stop.action) == ("child-unknown", "Scan what is fitted there.")
    assert f"{a.key} at M1" in stop.message
    plant.do(start_pass, 21, unit=b, station=plant.final)


def test_what_has_an_unknown_child_is_not_packed() -> None:
    plant = Plant()
    (a,), (c,) = married(plant, 1)
    plant.finish(a, 7)
    plant.do(find_loose, 20, child=c)
    assert "not known" in refused(plant, "dispatch-refused", pack_units, 21, carton="BOX", units=[a]).message


def test_nothing_is_fitted_over_an_unknown_child_but_it_can_be_removed() -> None:
    plant = Plant()
    (a, _), (c, _) = married(plant)
    (spare,) = plant.boards()
    plant.finish(spare, 8)
    plant.do(find_loose, 20, child=c)
    refusal = refused(plant, "fitting-refused", fit_child, 21, unit=a, designator="M1", child=spare)
    assert refusal.action == "Scan what is fitted there."
    refused(plant, "fitting-refused", remove_part, 21, unit=a, designator="M1", reason="look", salvage="KEPT")
    plant.do(remove_part, 22, unit=a, designator="M1", reason="label unreadable")
    plant.do(fit_child, 23, unit=a, designator="M1", child=spare)
    assert rows(a)[1:3] == [("unknown", 20, 22, 5, None), ("nothing", 22, 23, None, None)]


def test_what_is_refused() -> None:
    plant = Plant()
    (a, b), (c, _) = married(plant)
    packed, inside = plant.boards(2)
    plant.finish(packed, 1)
    plant.do(pack_units, 8, carton="BOX", units=[packed])
    plant.do(start_pass, 8, unit=inside, station=plant.insertion)
    for unit, designator, child, minute, code, sentence in (
        (b, "X9", c, 20, "fitting-refused", "no designator X9"),
        (b, "F1", c, 20, "wrong-part", "does not belong"),
        (a, "M1", b, 20, "wrong-part", "does not belong"),
        (b, "M1", c, 5.5, "fitting-refused", "changed or made after"),
        (b, "M1", packed, 20, "fitting-refused", "in carton BOX"),
        (b, "M1", inside, 20, "fitting-refused", "still inside INSERT"),
    ):
        refusal = refused(plant, code, find_child, minute, unit=unit, designator=designator, child=child)
        assert sentence in refusal.message
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    refusal = refused(plant, "fitting-refused", find_child, 19, unit=a, designator="M1", child=c)
    assert "after that moment" in refusal.message
    assert "elsewhere after" in refused(plant, "fitting-refused", find_loose, 19, child=c).message
    assert (
        "empty on record"
        in refused(plant, "fitting-refused", find_empty, unit=plant.products()[0], designator="M1").message
    )
    assert (
        "no designator F1 that holds a unit"
        in refused(plant, "fitting-refused", find_empty, unit=a, designator="F1").message
    )


def test_what_a_hold_refuses_is_recorded_all_the_same() -> None:
    plant = Plant()
    (a, b), (c, _) = married(plant)
    plant.do(place_holds, 9, targets=[c], reason="suspect")
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    event = Event.objects.get(verb="find_child")
    assert json.loads(event.payload)["facts"]["found_though"] == "held"
    assert set(event.subjects.values_list("key", flat=True)) >= {a.key, b.key, c.key}


def test_a_lost_child_is_found_in_a_third() -> None:
    plant = Plant()
    (a, b, e), (c, d, f) = married(plant, 3)
    plant.do(find_child, 20, unit=b, designator="M1", child=c)
    plant.do(find_child, 30, unit=e, designator="M1", child=d)
    assert rows(e)[-1] == (d.key, 30, None, 7, None)
    assert rows(a)[-1] == ("unknown", 20, None, 5, None)
    assert find_whereabouts([f.pk], ticks(31))[f.pk].kind == Place.UNKNOWN
    assert not LooseSighting.objects.exists()
