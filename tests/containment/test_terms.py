"""Terms of a suspicion: what each kind selects, what it refuses, the line that names it."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from tests.factories import Plant, make_person, make_station, moment, ticks
from tests.floor.measuring import Bench
from tests.floor.sequencer import Sequencer, draw
from tests.genealogy.asking import NONE, Answer, board_at, load, split
from trace.containment.joining import trace_each, trace_terms
from trace.containment.models import Kind
from trace.containment.terms import FORMS, BadTerm, Told, check_term, describe_term, resolve_term
from trace.core.clock import OPEN
from trace.engineering.fitness import find_last_good
from trace.engineering.operations import (
    define_check_piece,
    define_fault_code,
    define_program,
    load_program,
    record_calibration,
    record_check,
)
from trace.floor.operations.faults import record_fault
from trace.floor.operations.feeds import charge_bath, find_on_feed, load_feed
from trace.genealogy.stock import list_population_stock
from trace.genealogy.suspicion import Suspicion
from trace.material.date_codes import read_date_code
from trace.material.models import Lot
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import define_supplier

pytestmark = pytest.mark.django_db


def term(kind: str, subject: str, **told: Any) -> Told:
    """A term that can be told."""
    it = Told(kind, subject, **told)
    check_term(it)
    return it


def selects(kind: str, subject: str, at: int = OPEN, **told: Any) -> Answer:
    return split(trace_terms([("any", term(kind, subject, **told))], at))


def why_not(kind: str, subject: str, **told: Any) -> str:
    with pytest.raises(BadTerm) as refused:
        check_term(Told(kind, subject, **told))
    assert refused.value.action
    return refused.value.message


def test_the_table_has_every_kind() -> None:
    assert list(FORMS) == list(Kind)


# Material ------------------------------------------------------------------------------------------------------------


def test_lots_and_containers(plant: Plant) -> None:
    load(plant, "A", 1)
    load(plant, "B", 10)
    first, across = board_at(plant, 5, 6), board_at(plant, 9, 11)
    assert selects("lot", "LOT-A") == selects("container", "A") == ({first.key}, {across.key}, NONE)
    assert describe_term(term("lot", "LOT-A")) == "lot LOT-A of Acme"
    assert describe_term(term("container", "A")) == "reel A of lot LOT-A"
    assert why_not("lot", "NO") == "There is no lot NO."
    assert why_not("container", "") == "There is no container named."
    assert why_not("moon", "A") == "“moon” is nothing that is suspected."
    assert why_not("lot", "LOT-A", since=1) == "A lot takes no beginning."
    assert why_not("container", "A", way="below") == "A container takes no way of failing."


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("2409", (2024, 9)), (" 0001 ", (2000, 1)), ("9952", (1999, 52)), ("6901", (1969, 1)), ("6852", (2068, 52)),
        ("2453", (2024, 53)), ("2400", None), ("2454", None), ("24091", None), ("", None), ("٢٤٠٩", None),
    ],
)  # fmt: skip
def test_date_codes_are_year_and_week(text: str, read: tuple[int, int] | None) -> None:
    """YYWW as ECIA EIGP 114 has 9D and 10D; two-digit years as POSIX reads %y; weeks 1 to 53 as ISO 8601."""
    assert read_date_code(text) == read


def test_a_supplier_by_date_codes_or_by_when_it_came(plant: Plant) -> None:
    other = plant.do(define_supplier, key="OTHER", name="Other")
    for key, code in {"OLD": "9952", "FIRST": "0001", "LATE": "0110", "NONE": "", "ODD": "A1"}.items():
        plant.reel(key, lot=key, date_code=code, minute=len(key))
    plant.reel("THEIRS", lot="THEIRS", date_code="0001", supplier=other)

    def lots(**told: Any) -> set[str]:
        suspicion = resolve_term(term("supplier", "ACME", **told))

        keys = Lot.objects.filter(pk__in=suspicion.lots).values_list("key", flat=True)
        return set(keys) - {"LOT-CAPS"}

    undated = {"NONE", "ODD"}
    assert lots(codes_from="9952", codes_to="0001") == {"OLD", "FIRST"} | undated
    assert lots(codes_from="0001") == {"FIRST", "LATE"} | undated
    assert lots(codes_to="0109") == {"OLD", "FIRST"} | undated
    assert lots(since=ticks(3), until=ticks(4)) == {"OLD", "ODD"}
    assert lots(since=ticks(4), codes_from="0101") == {"LATE", "NONE"}
    told = term("supplier", "ACME", codes_from="9952", codes_to="0001", since=ticks(0))
    assert describe_term(told) == (
        "what Acme delivered with a date code from 9952 to 0001, or with none that can be read, "
        "received since 2026-03-02 06:00"
    )
    assert "all that they ever delivered" in why_not("supplier", "ACME")
    assert why_not("supplier", "ACME", codes_from="0001", codes_to="9952") == "Date code 9952 is older than 0001."
    assert why_not("supplier", "ACME", codes_from="2400") == "“2400” is no date code."
    assert why_not("supplier", "ACME", since=2, until=2) == "It ends before it begins."


def test_of_a_lot_that_came_in_parts_those_that_came_then(plant: Plant) -> None:
    first, second = plant.reel("A", lot="L", minute=1), plant.reel("B", lot="L", minute=9)
    whole = resolve_term(term("supplier", "ACME", since=ticks(0.5), until=ticks(10)))
    assert whole == Suspicion(lots=frozenset([first.lot_id]))
    part = resolve_term(term("supplier", "ACME", since=ticks(5)))
    assert part == Suspicion(containers=frozenset([second.pk]))


def test_a_parts_whole_stock_at_a_time(plant: Plant) -> None:
    gone, kept, later = plant.reel("GONE"), plant.reel("KEPT"), plant.reel("LATER", minute=30)
    gone.gone = ticks(10)
    gone.save()

    def containers(**told: Any) -> set[int]:
        return set(resolve_term(term("part", "RES", **told)).containers)

    assert containers() == {gone.pk, kept.pk, later.pk}
    assert containers(since=ticks(11)) == {kept.pk, later.pk}
    assert containers(until=ticks(20)) == {gone.pk, kept.pk}
    stock = list_population_stock(trace_terms([("any", term("part", "RES"))]))
    assert {item.key for item in stock} == {"KEPT", "LATER"}
    assert describe_term(term("part", "RES", until=ticks(20))) == (
        "every container of RES Res in the plant until 2026-03-02 06:20"
    )


def test_a_charge_of_a_bath(plant: Plant) -> None:
    wave = plant.do(define_feed, key="POT", station=make_station("WAVE"), kind="bath")
    bar = plant.reel("BAR", plant.capacitor)
    assert why_not("charge", "BAR") == "BAR was charged into no bath."
    plant.do(charge_bath, 5, feed=wave, container=bar)
    assert resolve_term(term("charge", "BAR")) == resolve_term(term("container", "BAR"))
    assert describe_term(term("charge", "BAR")) == "the charge BAR of lot LOT-BAR"


# Runs ----------------------------------------------------------------------------------------------------------------


def test_a_tape_by_board_sets() -> None:
    it = Sequencer(run=True)
    it.finish()
    keys = [draw(it, number, 40 + number) for number in (3, 4, 5)]
    assert selects("tape", "T1", first=4, last=5) == ({keys[1], keys[2]}, NONE, NONE)
    assert selects("tape", "T1") == (set(keys), NONE, NONE)
    assert selects("tape", "T1", first=6) == (NONE, NONE, NONE)
    assert describe_term(term("tape", "T1", first=4, last=5)) == "tape T1, board sets 4 to 5"
    assert describe_term(term("tape", "T1", first=4)) == "tape T1, from board set 4 on"
    assert describe_term(term("tape", "T1", last=4)) == "tape T1, up to board set 4"
    assert describe_term(term("tape", "T1", first=4, last=4)) == "tape T1, board set 4"
    assert why_not("tape", "T1", first=5, last=4) == "The last position lies before the first."


def test_a_set_up_by_moments_of_its_station(plant: Plant) -> None:
    load(plant, "A", 1)
    inside, across, after = board_at(plant, 5, 6), board_at(plant, 7, 9), board_at(plant, 10, 11)
    told = {"first": ticks(4), "last": ticks(8)}
    assert selects("setup", "SETUP", **told) == ({inside.key}, {across.key}, NONE)
    assert selects("setup", "SETUP") == ({inside.key, across.key, after.key}, NONE, NONE)
    assert describe_term(term("setup", "SETUP", **told)) == (
        "set-up SETUP, moments 2026-03-02 06:04 to 2026-03-02 06:08"
    )


# Work ----------------------------------------------------------------------------------------------------------------


def test_a_station_and_a_person_in_a_window(plant: Plant) -> None:
    load(plant, "A", 1)
    inside, after = board_at(plant, 5, 6), board_at(plant, 10, 11)
    assert selects("station", "INSERT", since=ticks(4), until=ticks(7)) == ({inside.key}, NONE, NONE)
    assert selects("person", "ANN", since=ticks(9)) == ({after.key}, NONE, NONE)
    make_person("VERA")
    assert selects("person", "VERA", since=ticks(0)) == (NONE, NONE, NONE)
    assert "all that was ever done there" in why_not("station", "INSERT")
    assert "all that was ever done there" in why_not("person", "ANN")
    told = term("station", "INSERT", since=ticks(4), until=ticks(7))
    assert describe_term(told) == "work at INSERT Insert from 2026-03-02 06:04 to 2026-03-02 06:07"
    assert describe_term(term("person", "ANN", since=ticks(9))) == "work of ANN Ann since 2026-03-02 06:09"


def test_equipment_since_it_was_last_good_and_a_program() -> None:
    bench = Bench()
    tester, plant = bench.tester(), bench.plant
    old, new = (plant.do(define_program, key=f"P-{r}", kind="tester", name="Board", revision=r) for r in "AB")
    plant.do(load_program, 2, equipment=tester, program=old)
    before, since = bench.board(2), bench.board(3)
    for board, minute in ((before, 10), (since, 30)):
        bench.into(board, minute)
        bench.read(board, minute + 1)
        bench.out(board, minute + 2)
    plant.do(record_calibration, 20, equipment=tester, passed=True, due=date(2026, 4, 1))
    plant.do(record_calibration, 50, equipment=tester, passed=False)
    good = find_last_good(tester, moment(51))
    assert good == moment(20)
    assert selects("equipment", "HV-1", since=ticks(20)) == ({since.key}, NONE, NONE)
    assert selects("program", "P-A") == ({before.key, since.key}, NONE, NONE)
    assert selects("program", "P-B") == selects("program", "P-A", detail="B") == (NONE, NONE, NONE)
    assert new.pk and describe_term(term("program", "P-A", detail="B")) == "work under program Board B"
    assert why_not("program", "P-A", detail="C") == "Program Board has no revision C."
    assert describe_term(term("equipment", "HV-1", since=ticks(20))) == (
        "work done with HV-1 Tester since 2026-03-02 06:20"
    )


def test_since_when_equipment_is_in_doubt() -> None:
    """The earliest of all that is wrong; with nothing wrong, the last time that it was found good."""
    bench = Bench()
    tester, plant = bench.tester(calibrated=False), bench.plant
    assert find_last_good(tester, moment(5)) is None
    plant.do(record_calibration, 10, equipment=tester, passed=True, due=date(2026, 4, 1))
    good, bad = (
        plant.do(define_check_piece, key=key, name=key, good=good, kind="tester") for key, good in (("G", 1), ("B", 0))
    )
    plant.do(record_check, 12, equipment=tester, piece=good, said_good=True)
    plant.do(record_check, 14, equipment=tester, piece=bad, said_good=False)
    assert find_last_good(tester, moment(15)) == moment(14)
    plant.do(record_check, 20, equipment=tester, piece=good, said_good=False)
    assert find_last_good(tester, moment(21)) == moment(12), "what the other piece showed later says nothing of this"
    plant.do(record_calibration, 30, equipment=tester, passed=False)
    assert find_last_good(tester, moment(31)) == moment(10)
    plant.do(record_check, 40, equipment=tester, piece=bad, said_good=True)
    plant.do(record_calibration, 50, equipment=tester, passed=True, due=date(2026, 4, 1))
    assert find_last_good(tester, moment(51)) == moment(12)


# Failures, units -----------------------------------------------------------------------------------------------------


def test_units_that_failed_a_test_in_a_way() -> None:
    bench = Bench()
    bench.ask(3, "Output", unit_of_measure="V", lower=Decimal("4.9"), upper=Decimal("5.1"))
    low, high = bench.board(2), bench.board(3)
    for board, volts in ((low, "4.8"), (high, "5.2")):
        bench.read(board, 20, {"Output": volts})
    assert selects("characteristic", "BOARD", detail="20: Output", way="below") == ({low.key}, NONE, NONE)
    assert selects("characteristic", "BOARD", detail="20:Output") == ({low.key, high.key}, NONE, NONE)
    assert selects("characteristic", "BOARD", detail="20: Output", since=ticks(21)) == (NONE, NONE, NONE)
    told = term("characteristic", "BOARD", detail="20: Output", way="above", until=ticks(30))
    assert describe_term(told) == "units of BOARD with Output above its limit at step 20 until 2026-03-02 06:30"
    assert why_not("characteristic", "BOARD", detail="10: Output") == "“10: Output” is not read of BOARD."
    assert why_not("characteristic", "BOARD", detail="20: Ripple", way="below") == (
        "Ripple has no limit that it could be below."
    )
    assert why_not("characteristic", "BOARD", detail="20: Output", way="odd") == "“odd” is no way of failing."
    assert why_not("characteristic", "BOARD").startswith("It does not say what was read")


def test_units_with_a_fault_and_named_ones(plant: Plant) -> None:
    load(plant, "A", 1)
    one, other = board_at(plant, 5, 6), board_at(plant, 7, 8)
    code = plant.do(define_fault_code, key="OPEN", name="open joint")
    plant.do(record_fault, 20, unit=one, fault_code=code, designator="R1")
    assert selects("fault", "OPEN", detail="R1") == selects("fault", "OPEN") == ({one.key}, NONE, NONE)
    assert selects("fault", "OPEN", detail="R2") == (NONE, NONE, NONE)
    assert describe_term(term("fault", "OPEN", detail="R1")) == "units with open joint at R1, found at any time"
    assert selects("unit", other.key) == ({other.key}, NONE, NONE)
    assert describe_term(term("unit", other.key)) == f"unit {other.key}"


# Together ------------------------------------------------------------------------------------------------------------


def test_terms_joined_with_any_are_judged_as_one_suspicion(plant: Plant) -> None:
    """A change that nobody timed, between two suspect reels: whichever it was, the board has one of them."""
    load(plant, "A", 1)
    plant.do(load_feed, 1.5, feed=plant.slot_r, container=plant.reel("A2"))
    across = board_at(plant, 1.2, 1.7)
    a, a2 = term("container", "A"), term("container", "A2")
    assert [(one.certain, one.possible, one.stock) for one in trace_each([a, a2])] == [(0, 1, 0), (0, 1, 1)]
    assert split(trace_terms([("any", a), ("any", a2)])) == ({across.key}, NONE, NONE)
    assert split(trace_terms([("all", a), ("all", a2)])) == (NONE, {across.key}, NONE)
    assert split(trace_terms([("any", a), ("any", a2), ("except", term("unit", across.key))])) == (NONE, NONE, NONE)


def test_terms_joined_with_all_alone_and_no_term_at_all(plant: Plant) -> None:
    load(plant, "A", 1)
    plant.do(find_on_feed, 20, feed=plant.slot_r, container=plant.reel("B"))
    board = board_at(plant, 5, 6)
    lot, window = term("lot", "LOT-A"), term("station", "INSERT", since=ticks(4), until=ticks(7))
    assert split(trace_terms([("all", lot), ("all", window)])) == (NONE, {board.key}, NONE)
    assert split(trace_terms([("all", window)])) == ({board.key}, NONE, NONE)
    assert trace_terms([]).carriers == trace_terms([("except", lot)]).carriers == ()
    assert list_population_stock(trace_terms([("except", lot)])) == []
