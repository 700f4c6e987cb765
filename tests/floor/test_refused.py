"""Scans that came late and were refused: kept until somebody looked what became of the unit."""

from __future__ import annotations

from functools import partial

import pytest

from tests.factories import Plant, make_person, make_station, moment, ticks
from tests.refusals import refused
from trace.core.permissions import Role
from trace.floor.models import RefusedScan
from trace.floor.operations.refused import keep_refused_scan, settle_refused_scan
from trace.floor.queries import list_refused_scans

pytestmark = pytest.mark.django_db

TOLD = {"scanned": "Scan in SN-1", "code": "held", "sentence": "Stop. It is held.", "action": "Put it aside."}


def test_a_refused_scan_is_kept_and_settled() -> None:
    plant = Plant()
    (board,) = plant.boards()
    scan = plant.do(keep_refused_scan, 5, station=plant.test, unit=board, **TOLD)
    assert (scan.happened, scan.by, scan.unit) == (ticks(5), plant.ann, board) and scan.recorded > ticks(5)
    assert list(list_refused_scans()) == list(list_refused_scans(plant.test)) == [scan]
    assert not list_refused_scans(make_station()).exists()
    settled = plant.do(settle_refused_scan, 30, scan=scan, reason="Done again.")
    assert (settled.settled, settled.settled_by, settled.reason) == (ticks(30), plant.ann, "Done again.")
    assert not list_refused_scans().exists()


def test_what_is_refused() -> None:
    plant = Plant()
    for empty in ("scanned", "sentence"):
        refused(plant, "settling-refused", partial(keep_refused_scan, station=plant.test, **{**TOLD, empty: " "}))
    scan = plant.do(keep_refused_scan, 5, station=plant.test, **TOLD)
    refused(plant, "settling-refused", settle_refused_scan, scan=scan, reason=" ")
    refused(plant, "settling-refused", settle_refused_scan, minute=4, scan=scan, reason="x")
    for role in set(Role) - {Role.SUPERVISOR, Role.QUALITY}:
        refused(plant, "not-permitted", settle_refused_scan, scan=scan, reason="x", by=make_person(roles=[role]))
    plant.do(settle_refused_scan, 6, scan=scan, reason="Done again.")
    assert "by Ann: Done again." in str(refused(plant, "settling-refused", settle_refused_scan, scan=scan, reason="x"))


@pytest.mark.parametrize("role", list(Role))
def test_whoever_scanned_it_keeps_it(role: Role) -> None:
    plant = Plant()
    by = make_person(roles=[role])
    assert keep_refused_scan(station=plant.test, by=by, at=moment(1), **TOLD) == RefusedScan.objects.get()  # type: ignore[arg-type]
