"""Panels: boards that go as one until they are parted."""

from __future__ import annotations

from typing import Any

import pytest

from tests.factories import Plant, make_assembly, moment
from trace.engineering.models import PanelPlace, Part
from trace.floor.carrying import RackRefused
from trace.floor.models import Carrier, Pass, Unit
from trace.floor.operations.carriers import finish_carrier, pass_carrier, start_carrier
from trace.floor.operations.dispatch import DispatchRefused, pack_units
from trace.floor.operations.fittings import FittingRefused, fit_child
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.floor.operations.racks import define_rack, make_panel, part_panel, put_in_rack, take_from_rack
from trace.floor.rules import Stopped
from trace.floor.scans import PassRefused
from trace.holds.operations import place_holds

pytestmark = pytest.mark.django_db


def panel_part(plant: Plant, places: int = 2) -> Part:
    part = make_assembly("PANEL", places={f"B{n}": plant.board for n in range(places)}, route={})
    for number in range(1, places + 1):
        PanelPlace.objects.create(panel=part, number=number, board=plant.board, x=0, y=0, rotation=0)
    return part


def make(plant: Plant, units: list[Unit]) -> Carrier:
    return plant.do(make_panel, 1, key="P-1", part=panel_part(plant, len(units)), boards=list(enumerate(units, 1)))


def test_its_boards_pass_together_until_they_are_parted() -> None:
    plant = Plant()
    units = plant.boards(3)
    panel = make(plant, units)
    done = plant.do(pass_carrier, 3, carrier=panel, station=plant.insertion, entered=moment(2))
    assert done.went == [unit.key for unit in units]
    with pytest.raises(Stopped, match="is in panel P-1") as stopped:
        plant.do(start_pass, 4, unit=units[0], station=plant.test)
    assert stopped.value.extra["rule"] == "in-panel"
    with pytest.raises(Stopped, match="is in panel P-1"):
        plant.do(record_passes, 5, units=units, station=plant.test, entered=moment(4))
    with pytest.raises(RackRefused, match="still in one piece after that moment"):
        plant.do(part_panel, 2.5, panel=panel)
    plant.do(part_panel, 6, panel=panel)
    plant.do(start_pass, 7, unit=units[0], station=plant.test)
    with pytest.raises(RackRefused, match=r"Panel P-1 was parted on 2026-03-02 06:06 UTC\.") as refused:
        plant.do(start_carrier, 8, carrier=panel, station=plant.test)
    assert refused.value.action == "Scan its boards one by one."
    with pytest.raises(RackRefused, match="was parted"):
        plant.do(part_panel, 9, panel=panel)


def test_one_board_that_is_stopped_stops_the_panel() -> None:
    plant = Plant()
    units = plant.boards(2)
    panel = make(plant, units)
    plant.do(place_holds, 2, targets=[units[1]], reason="suspect")
    with pytest.raises(Stopped, match=units[1].key):
        plant.do(start_carrier, 3, carrier=panel, station=plant.insertion)
    assert not Pass.objects.exists()


def test_a_board_that_was_scrapped_stays_in_it_and_does_not_count() -> None:
    plant = Plant()
    units = plant.boards(2)
    panel = make(plant, units)
    plant.do(scrap_unit, 2, unit=units[1], reason="marked out")
    done = plant.do(start_carrier, 3, carrier=panel, station=plant.insertion)
    assert (done.went, done.behind) == ([units[0].key], [])


def test_what_went_in_with_it_comes_out_with_it() -> None:
    plant = Plant()
    units = plant.boards(2)
    panel = make(plant, units)
    plant.do(start_carrier, 2, carrier=panel, station=plant.insertion)
    with pytest.raises(PassRefused, match="went in with panel P-1"):
        plant.do(finish_pass, 3, unit=units[0])
    plant.do(finish_carrier, 4, carrier=panel, failed=[units[0]])
    assert list(Pass.objects.filter(superseded=None).order_by("unit").values_list("outcome", flat=True)) == [
        "failed",
        "passed",
    ]
    # The next step is due for one of them only: the other stops the panel, until somebody decides.
    with pytest.raises(Stopped, match="still needs step 10"):
        plant.do(start_carrier, 5, carrier=panel, station=plant.test)


def test_parted_inside_a_station_its_boards_come_out_one_by_one() -> None:
    plant = Plant()
    units = plant.boards(2)
    panel = make(plant, units)
    plant.do(start_carrier, 2, carrier=panel, station=plant.insertion)
    plant.do(part_panel, 3, panel=panel)
    plant.do(finish_pass, 4, unit=units[0])
    assert Pass.objects.filter(inside=True).count() == 1


def test_a_board_goes_nowhere_alone() -> None:
    plant = Plant()
    units = plant.boards(2)
    panel = make(plant, units)
    plant.do(pass_carrier, 3, carrier=panel, station=plant.insertion, entered=moment(2))
    plant.do(pass_carrier, 5, carrier=panel, station=plant.test, entered=moment(4))
    (product,) = plant.products()
    with pytest.raises(FittingRefused, match="is in panel P-1"):
        plant.do(fit_child, 6, unit=product, designator="M1", child=units[0])
    with pytest.raises(DispatchRefused, match="is in panel P-1"):
        plant.do(pack_units, 6, carton="CARTON", units=units)
    rack = plant.do(define_rack, key="RACK", slots=2)
    with pytest.raises(RackRefused, match="is in panel P-1"):
        plant.do(put_in_rack, 6, rack=rack, unit=units[0])
    with pytest.raises(RackRefused, match="is in panel P-1"):
        plant.do(take_from_rack, 6, unit=units[0])
    with pytest.raises(RackRefused, match="P-1 is a panel"):
        plant.do(put_in_rack, 6, rack=panel, unit=plant.boards()[0])
    with pytest.raises(RackRefused, match="RACK is a rack"):
        plant.do(part_panel, 6, panel=rack)


def test_what_is_no_panel() -> None:
    plant = Plant()
    one, two = plant.boards(2)
    (product,) = plant.products()
    part = panel_part(plant)

    def refused(says: str, *boards: tuple[int, Unit], **arguments: Any) -> None:
        with pytest.raises(RackRefused, match=says):
            plant.do(make_panel, 1, **{"key": "P-1", "part": part, "boards": boards, **arguments})

    refused("BOARD is no panel", (1, one), part=plant.board)
    refused("has no place 3", (3, one))
    refused("once", (1, one), (1, two))
    refused("once", (1, one), (2, one))
    refused("once")
    refused("is no board for place 1", (1, product))
    plant.do(make_panel, 1, key="P-2", part=part, boards=[(1, one)])
    refused("is in panel P-2", (1, one))
    assert Carrier.objects.count() == 1


def test_each_board_shares_the_cycles_or_has_one_of_its_own() -> None:
    plant = Plant(counts_cycles=True)
    part = panel_part(plant)
    for key, ordered in (("P-1", False), ("P-2", True)):
        units = plant.boards(2)
        panel = plant.do(make_panel, 1, key=key, part=part, boards=list(enumerate(units, 1)), ordered=ordered)
        plant.do(pass_carrier, 3, carrier=panel, station=plant.insertion, entered=moment(2), position=(7, 8))
    first = list(Pass.objects.order_by("pk").values_list("first", "last"))
    assert first == [(7, 8), (7, 8), (7, 7), (8, 8)]
