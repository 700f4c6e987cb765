"""Unit page: what is perhaps, what was once, who did it, and where a child came from and went."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core.management import call_command
from django.test import Client

from tests.factories import Plant, make_assembly, moment
from tests.web.conftest import Suspects
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import OPEN
from trace.engineering.models import ScanMode
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.dispatch import pack_units, unpack_unit
from trace.floor.operations.feeds import charge_bath, dump_bath, load_feed, top_up_feed
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.passes import finish_pass, record_passes, start_pass
from trace.genealogy.forward import trace_forward
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.whereabouts import Place, find_whereabouts
from trace.material.models import Feed, Lot
from trace.material.operations.setups import define_feed

pytestmark = pytest.mark.django_db


def at(minute: float) -> str:
    return f"?at={moment(minute):%Y-%m-%dT%H:%M}"


# Perhaps -------------------------------------------------------------------------------------------------------------


def test_an_open_pass_is_perhaps_in_the_sentence_the_rows_and_the_lots(visitor: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    (board,) = plant.boards(1, minute=50)
    plant.do(start_pass, 51, unit=board, station=plant.insertion)
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert "0 of 3 places are filled, and perhaps 3 more, from 2 lots." in page
    assert "RES R1, R2 2 places, lot LOT-GOOD, possible: perhaps not drawn" in page
    assert "perhaps drawn from SLOT-R at INSERT, step 10 Step 10, at some time since 2026-03-02 06:51 by Ann" in page
    rows = rows_of(visitor.get(f"/units/{board.key}/?csv=lots"))
    assert {(row["Lot"], row["Sureness"]) for row in rows} == {("LOT-GOOD", "possible"), ("LOT-CAPS", "possible")}
    plant.do(finish_pass, 52, unit=board)
    page = text_of(visitor.get(f"/units/{board.key}/").content.decode())
    assert "3 of 3 places are filled, from 2 lots." in page
    assert "perhaps" not in page[: page.index("What happened to it")]


def test_a_unit_in_which_something_began_is_not_said_to_be_not_started(visitor: Client, db: None) -> None:
    plant = Plant(mode=ScanMode.ONE_AT_A_TIME)
    for slot, part in ((plant.slot_r, plant.resistor), (plant.slot_c, plant.capacitor)):
        plant.do(load_feed, 1, feed=slot, container=plant.reel(part=part))
    scanned, fitted, untouched = plant.boards(3, minute=2)
    plant.do(record_passes, 10, units=[scanned], station=plant.insertion, outcome="failed")
    plant.do(fit_part, 11, unit=fitted, designator="R1", container=plant.reel("SPARE"), reason="by hand")

    def words(unit: Unit, minute: float) -> str:
        return text_of(visitor.get(f"/units/{unit.key}/{at(minute)}").content.decode())

    assert f"{scanned.key}, Board of order {scanned.order.key}, was begun, no step passed yet." in words(
        scanned, 5
    )  # it was scanned out only
    assert (
        f"{scanned.key}, Board of order {scanned.order.key}, was begun, no step passed yet, last seen at INSERT, since"
        in words(scanned, 12)
    )
    assert f"{fitted.key}, Board of order {fitted.order.key}, was not started." in words(fitted, 10)
    assert f"{fitted.key}, Board of order {fitted.order.key}, was begun, no step passed yet." in words(fitted, 12)
    assert find_whereabouts([untouched.pk], OPEN)[untouched.pk].group == "not started"


def test_a_waiting_unit_was_last_seen_where_it_was_scanned_last(suspects: Suspects) -> None:
    plant = suspects.plant
    plant.run(suspects.clean, plant.test, 50, 51, outcome="failed")
    where = find_whereabouts([suspects.clean.pk], OPEN)[suspects.clean.pk]
    assert (where.kind, where.step, where.key) == (Place.WAITING, 10, "TEST")
    assert str(where) == "waiting after step 10, last seen at TEST"


# Lots ----------------------------------------------------------------------------------------------------------------


def lots_told(visitor: Client, unit: Unit) -> dict[str, str]:
    return {row["Lot"]: row["Sureness"] for row in rows_of(visitor.get(f"/units/{unit.key}/?csv=lots"))}


def lots_traced(unit: Unit) -> dict[str, str]:
    """What forward says of the unit, for every lot there is."""
    found = {}
    for lot in Lot.objects.all():
        for carrier in trace_forward(Suspicion.of(lots=[lot])).carriers:
            if carrier.key == unit.key:
                found[lot.key] = carrier.sureness.value
    return found


def awkward(plant: Plant) -> Iterator[Unit]:
    """Boards with a bath, a pour, a part taken out, and a repeated step."""
    bath = plant.do(define_feed, 50, key="BATH", station=plant.test, kind=Feed.Kind.BATH)
    soldered = make_assembly("SOLDERED", places={"S1": plant.capacitor}, route={10: [plant.test]})
    plant.do(start_setup, 50, key="B-SET", station=plant.test, assembly=soldered, feeds={"S1": bath})
    (solder,), (poured, unsure, emptied) = plant.units(soldered, minute=50), plant.boards(3, minute=50)
    plant.do(dump_bath, 51, feed=bath, cleaned=True)
    for name in ("BAR-1", "BAR-2"):
        plant.do(charge_bath, 52, feed=bath, container=plant.reel(name, plant.capacitor))
    plant.run(solder, plant.test, 55, 56)
    plant.do(top_up_feed, 60, feed=plant.slot_r, container=plant.reel("POUR"))
    plant.run(poured, plant.insertion, 61, 62)
    plant.run(unsure, plant.insertion, 63, 64, outcome="aborted")
    plant.run(emptied, plant.insertion, 65, 66)
    plant.do(remove_part, 67, unit=emptied, designator="R1", reason="burnt")
    plant.do(remove_part, 67, unit=emptied, designator="R2", reason="burnt")
    yield from (solder, poured, unsure, emptied)


def test_the_lots_of_a_unit_agree_with_the_units_of_each_lot(visitor: Client, suspects: Suspects) -> None:
    s = suspects
    told = {}
    for unit in (s.certain, s.shipped, s.possible, s.cleared, s.clean, s.product, *awkward(s.plant)):
        told[unit.key] = lots_told(visitor, unit)
        assert told[unit.key] == lots_traced(unit)
    assert {"certain", "possible", "cleared"} == {sureness for lots in told.values() for sureness in lots.values()}
    assert told[s.cleared.key]["K77"] == "cleared"


# Children that move --------------------------------------------------------------------------------------------------


@pytest.fixture
def moved(suspects: Suspects) -> tuple[Unit, Unit, Unit]:
    """(the product that gave a board up and was scrapped, the one that has it now, the board)."""
    plant = suspects.plant
    giver, taker = plant.products(2, minute=50)
    plant.run(suspects.clean, plant.test, 51, 52)
    plant.do(start_pass, 53, unit=giver, station=plant.final)
    plant.do(fit_child, 54, unit=giver, designator="M1", child=suspects.clean)
    plant.do(finish_pass, 55, unit=giver, outcome="failed")
    plant.do(scrap_unit, 60, unit=giver, reason="dropped")
    plant.do(remove_part, 70, unit=giver, designator="M1", reason="unharmed")
    plant.do(start_pass, 80, unit=taker, station=plant.final)
    plant.do(fit_child, 81, unit=taker, designator="M1", child=suspects.clean)
    return giver, taker, suspects.clean


def test_a_tree_says_where_a_child_came_from_and_where_it_went(
    visitor: Client, moved: tuple[Unit, Unit, Unit], capsys: pytest.CaptureFixture
) -> None:
    giver, taker, board = moved
    page = text_of(visitor.get(f"/units/{giver.key}/").content.decode())
    assert f"no longer: unit {board.key}" in page
    assert f"taken out 2026-03-02 07:10, it went into {taker.key}" in page
    assert f"it came from {giver.key}" in text_of(visitor.get(f"/units/{taker.key}/").content.decode())
    between = text_of(visitor.get(f"/units/{giver.key}/{at(75)}").content.decode())
    assert "taken out 2026-03-02 07:10, it was finished" in between and taker.key not in between
    call_command("asbuilt", giver.key)
    assert f"until 2026-03-02 07:10 by Ann, then put into {taker.key}" in " ".join(capsys.readouterr().out.split())
    call_command("asbuilt", taker.key)
    assert f"by Ann, from {giver.key}" in " ".join(capsys.readouterr().out.split())
    call_command("asbuilt", giver.key, at=moment(75).isoformat())
    assert "by Ann, now finished" in " ".join(capsys.readouterr().out.split())


def test_the_lots_of_a_child_that_left_are_cleared(visitor: Client, moved: tuple[Unit, Unit, Unit]) -> None:
    giver, _, board = moved
    assert lots_told(visitor, giver) == dict.fromkeys(lots_told(visitor, board), "cleared") == lots_traced(giver)


def test_the_timeline_says_who_and_why(visitor: Client, suspects: Suspects, moved: tuple[Unit, Unit, Unit]) -> None:
    giver, _, board = moved

    def lines(unit: Unit) -> dict[str, str]:
        return {row["What"]: row["By"] for row in rows_of(visitor.get(f"/units/{unit.key}/?csv=timeline"))}

    assert lines(giver)["scrapped (dropped)"] == "ANN Ann"
    assert lines(giver)[f"{board.key} removed at M1 (unharmed)"] == "ANN Ann"
    assert lines(board)[f"taken out of {giver.key} at M1 (unharmed)"] == "ANN Ann"
    assert lines(suspects.product)["shipped to NORD Nord Air on SH-1"] == "ANN Ann"
    suspects.plant.run(suspects.cleared, suspects.plant.test, 90, 91)
    suspects.plant.do(pack_units, 95, carton="CT-9", units=[suspects.cleared])
    suspects.plant.do(unpack_unit, 96, unit=suspects.cleared, reason="wrong carton")
    assert lines(suspects.cleared)["unpacked from CT-9 (wrong carton)"] == "ANN Ann"


# Pages that don't look back ------------------------------------------------------------------------------------------


def test_a_page_that_does_not_look_back_says_so(visitor: Client, suspects: Suspects) -> None:
    page = text_of(visitor.get(f"/feeds/SLOT-R/{at(11)}").content.decode())
    assert "You came from 2026-03-02 06:11. This page does not look back: it shows how things are now." in page
    assert "On it now: GOOD." in page
    assert "does not look back" not in text_of(visitor.get("/feeds/SLOT-R/").content.decode())
