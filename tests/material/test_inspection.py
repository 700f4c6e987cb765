"""Incoming inspection: what is planned, what is found, what the system decides, what becomes of the lot."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.factories import Plant, make_person, moment, ticks
from tests.material.inspecting import EVERY, GAUGE, SAMPLE, box, gauge, inspected, planned, sampled, waiting
from tests.refusals import refused
from trace.core.permissions import Role
from trace.engineering.operations import define_check_piece, define_equipment, record_check, retire_equipment
from trace.floor.operations.feeds import load_feed, take_off_feed
from trace.floor.operations.stores import merge_containers, split_container
from trace.holds.operations import place_holds
from trace.holds.rules import Move
from trace.ledger.models import Event
from trace.material.inspecting import find_severity, list_statuses_at, list_tasks, list_waiting
from trace.material.models import (
    InspectionCount,
    Lot,
    Manner,
    PlannedInspection,
)
from trace.material.operations.inspection import (
    InspectionRow,
    record_inspection,
    reject_lot,
    release_lot,
    return_lot,
    rule_sampling,
    set_inspection,
    sort_lot,
)
from trace.material.operations.stock import discard_container, receive_lot
from trace.material.sampling import Ruling

pytestmark = pytest.mark.django_db


def status(lot: Lot) -> str:
    lot.refresh_from_db()
    return str(lot.status)


def history(lot: Lot) -> list[tuple[str, int]]:
    return [(row.status, row.since) for row in lot.statuses.order_by("id")]


# The plan ------------------------------------------------------------------------------------------------------------


def test_a_part_without_a_plan_is_stocked_on_receipt() -> None:
    plant = Plant()
    lot = waiting(plant)
    assert status(lot) == "released" and not lot.statuses.exists()
    plant.do(load_feed, 2, feed=plant.slot_r, container=box("K1-1"))


def test_a_plan_is_replaced_whole_and_can_be_taken_away() -> None:
    plant = Plant()
    planned(plant, EVERY, SAMPLE)
    planned(plant, SAMPLE, GAUGE)
    assert [row.name for row in PlannedInspection.objects.filter(part=plant.resistor)] == [SAMPLE.name, GAUGE.name]
    waits = waiting(plant)
    plant.do(set_inspection, part=plant.resistor, rows=[])
    assert status(waiting(plant, "K2")) == "released"
    plant.do(release_lot, 5, lot=waits, evidence="No longer inspected: the supplier's tests suffice.")
    assert status(waits) == "released"


@pytest.mark.parametrize(
    "row",
    [
        InspectionRow("A", Manner.SORTED),
        InspectionRow("A", Manner.SAMPLE, level="II"),
        InspectionRow("A", Manner.SAMPLE, aql=Decimal("1.1"), level="II"),
        InspectionRow("A", Manner.SAMPLE, aql=Decimal(25), level="II"),
        InspectionRow("A", Manner.SAMPLE, aql=Decimal(1), level="IV"),
        InspectionRow("A", Manner.SAMPLE, aql=Decimal(1), level="II", allowable=Decimal(2)),
        InspectionRow("A", Manner.EVERY, aql=Decimal(1)),
        InspectionRow("A", Manner.EVERY, pieces=3),
        InspectionRow("A", Manner.EVERY, allowable=Decimal(100)),
        InspectionRow("A", Manner.EVERY, unit_of_measure="V"),
        InspectionRow("A", Manner.EVERY, upper=Decimal(3)),
        InspectionRow("A", Manner.EVERY, unit_of_measure="V", lower=Decimal(3), upper=Decimal(3)),
        InspectionRow("A", Manner.GAUGE, unit_of_measure="mm", upper=Decimal(3), equipment="gauge"),
        InspectionRow("A", Manner.GAUGE, pieces=3, equipment="gauge"),
        InspectionRow("A", Manner.GAUGE, pieces=3, unit_of_measure="mm", upper=Decimal(3)),
        InspectionRow("", Manner.EVERY),
    ],
)
def test_what_can_not_be_planned(row: InspectionRow) -> None:
    plant = Plant()
    refused(plant, "inspection-refused", set_inspection, part=plant.resistor, rows=[row])


def test_nothing_is_planned_twice_or_for_what_has_serials() -> None:
    plant = Plant()
    twice = [InspectionRow("Finish", Manner.EVERY), InspectionRow(" finish ", Manner.EVERY)]
    refused(plant, "inspection-refused", set_inspection, part=plant.resistor, rows=twice)
    refused(plant, "inspection-refused", set_inspection, part=plant.board, rows=[EVERY])
    operator = make_person("OP", roles=[Role.OPERATOR])
    refused(plant, "not-permitted", set_inspection, part=plant.resistor, rows=[EVERY], by=operator)


# Receiving -----------------------------------------------------------------------------------------------------------


def test_a_lot_to_be_inspected_is_quarantined_from_the_moment_it_comes() -> None:
    plant = Plant()
    planned(plant)
    lot = waiting(plant)
    assert (status(lot), history(lot)) == ("quarantined", [("quarantined", ticks(1))])
    more = {"supplier": plant.supplier, "part": plant.resistor, "number": "N-K1", "containers": [("K1-3", None)]}
    plant.do(receive_lot, 2, key="K1", **more)  # nothing was inspected yet: it joins
    assert box("K1-3").lot == lot and len(history(lot)) == 1


@pytest.mark.parametrize("decided", [False, True])
def test_what_comes_after_a_lot_was_inspected_is_a_lot_of_its_own(decided: bool) -> None:
    plant = Plant()
    planned(plant)
    lot = waiting(plant)
    inspected(plant, lot, ("K1-1", 1_000, 0), ("K1-2", 1_000, 0))
    if decided:
        plant.do(release_lot, 6, lot=lot, evidence="All good.")
    more = {"supplier": plant.supplier, "part": plant.resistor, "number": "N-K1", "containers": [("K1-3", None)]}
    refused(plant, "stock-refused", receive_lot, 7, key="K1", **more)
    second = plant.do(receive_lot, 7, key="K1-B", **more)
    assert (second.delivery, status(second), second.number) == (2, "quarantined", "N-K1")
    plant.do(receive_lot, 8, key="K1-B", **{**more, "containers": [("K1-4", None)]})
    assert box("K1-4").lot == second


def test_what_was_stocked_before_there_was_a_plan_is_joined_by_nothing_later() -> None:
    plant = Plant()
    waiting(plant)
    planned(plant)
    more = {"supplier": plant.supplier, "part": plant.resistor, "number": "N-K1", "containers": [("K1-3", None)]}
    refused(plant, "stock-refused", receive_lot, 2, key="K1", **more)
    assert status(plant.do(receive_lot, 2, key="K1-B", **more)) == "quarantined"


# Every piece ---------------------------------------------------------------------------------------------------------

DIODES = InspectionRow(
    "Forward voltage", Manner.EVERY, allowable=Decimal(5), unit_of_measure="V", upper=Decimal("1.1"),
    screen="10 cycles from -40 °C to +125 °C", caution="Hot and cold surfaces burn.",
)  # fmt: skip


def test_every_piece_is_tested_and_what_is_rejected_leaves_the_quantity() -> None:
    plant = Plant()
    planned(plant, DIODES)
    lot = waiting(plant)
    found = inspected(plant, lot, ("K1-1", 1_000, 20), ("K1-2", 998, 7), screened=True)
    assert (found.inspected, found.rejected, found.accepted, found.screen) == (1_998, 27, True, DIODES.screen)
    assert [box(key).quantity for key in ("K1-1", "K1-2")] == [980, 991]  # counted by the tester, too
    assert status(lot) == "quarantined"  # until somebody releases it
    plant.do(release_lot, 6, lot=lot, evidence="27 of 1,998 rejected, below 5 %.")
    assert history(lot) == [("quarantined", ticks(1)), ("released", ticks(6))]
    assert '"decided":"27 of 1998 rejected, accepted"' in Event.objects.get(verb="record_inspection").payload.replace(
        '": "', '":"'
    )


@pytest.mark.parametrize(("rejected", "accepted"), [(100, True), (101, False)])
def test_more_defective_than_allowable_rejects_the_lot(rejected: int, accepted: bool) -> None:
    """Percent defective allowable, as for burn-in of semiconductors (MIL-STD-883 method 5004; from memory): 5 % of
    2,000 are 100."""
    plant = Plant()
    planned(plant, DIODES)
    lot = waiting(plant)
    found = inspected(plant, lot, ("K1-1", 1_000, rejected), ("K1-2", 1_000, 0), screened=True)
    assert (found.accepted, status(lot)) == (accepted, "quarantined" if accepted else "rejected")


def test_a_lot_of_which_nothing_is_left_is_rejected() -> None:
    plant = Plant()
    planned(plant)
    lot = waiting(plant, "K1", 10)
    assert not inspected(plant, lot, ("K1-1", 10, 10)).accepted and status(lot) == "rejected"


def test_readings_say_what_is_rejected() -> None:
    plant = Plant()
    planned(plant, DIODES)
    lot = waiting(plant, "K1", 4)
    volts = [Decimal(value) for value in ("0.95", "1.1", "1.100001", "0.98")]
    told: dict[str, Any] = {"lot": lot, "name": DIODES.name, "screened": True}
    for wrong in (
        {"counts": [(box("K1-1"), 4, 0)], "readings": volts},
        {"counts": [(box("K1-1"), 4, 1)], "readings": volts[:3]},
        {"counts": [(box("K1-1"), 4, 1)], "readings": [*volts[:3], Decimal("NaN")]},
        {"counts": [(box("K1-1"), 4, 1)], "readings": [*volts[:3], Decimal("1E+100")]},
        {"counts": [(box("K1-1"), 4, 1)], "readings": [*volts[:3], Decimal("0.1234567")]},
        {"counts": [(box("K1-1"), 4, 1)], "readings": volts, "screened": False},
    ):
        refused(plant, "inspection-refused", record_inspection, 5, **{**told, **wrong})
    plant.do(set_inspection, part=plant.resistor, rows=[EVERY])
    refused(plant, "inspection-refused", record_inspection, 5, **told, counts=[(box("K1-1"), 4, 1)], readings=volts)
    planned(plant, DIODES)
    found = inspected(plant, lot, ("K1-1", 4, 1), readings=volts, screened=True)
    assert [(one.number, one.value) for one in found.readings.all()] == list(enumerate(volts, 1))
    assert (found.unit_of_measure, found.upper) == ("V", Decimal("1.1"))


def test_what_can_not_be_recorded() -> None:
    plant = Plant()
    planned(plant, EVERY, SAMPLE)
    lot = waiting(plant)
    waiting(plant, "K2")
    one, two, other = box("K1-1"), box("K1-2"), box("K2-1")
    for name, counts in (
        ("none such", [(one, 1_000, 0), (two, 1_000, 0)]),
        (EVERY.name, []),
        (EVERY.name, [(one, 1_000, 0)]),
        (EVERY.name, [(one, 1_000, 0), (one, 1_000, 0)]),
        (EVERY.name, [(one, 1_000, 0), (two, 10, 0), (other, 10, 0)]),
        (EVERY.name, [(one, 1_000, 1_001), (two, 1_000, 0)]),
        (EVERY.name, [(one, -1, 0), (two, 1_000, 0)]),
        (EVERY.name, [(one, 10**10, 0), (two, 1_000, 0)]),
        (EVERY.name, [(one, 10**9, 0), (two, 10**9, 0)]),
        (EVERY.name, [(one, 0, 0), (two, 0, 0)]),
        (SAMPLE.name, [(one, 124, 0)]),
        (SAMPLE.name, [(one, 1_001, 0)]),
    ):
        refused(plant, "inspection-refused", record_inspection, lot=lot, name=name, counts=counts)
    early = {"lot": lot, "name": EVERY.name, "counts": [(one, 1_000, 0), (two, 1_000, 0)]}
    refused(plant, "inspection-refused", record_inspection, 0.5, **early)
    operator = make_person("OP", roles=[Role.OPERATOR])
    refused(plant, "not-permitted", record_inspection, lot=lot, name=EVERY.name, counts=[], by=operator)
    inspected(plant, lot, ("K1-1", 1_000, 0), ("K1-2", 1_000, 0))
    good = [(one, 1_000, 0), (two, 1_000, 0)]
    refused(plant, "inspection-refused", record_inspection, lot=lot, name=EVERY.name, counts=good)  # a second time
    sampled(plant, lot, 125, 4)
    refused(plant, "inspection-refused", record_inspection, lot=lot, name=SAMPLE.name, counts=[(one, 125, 0)])


@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.integers(1, 500), st.integers(0, 500)), min_size=1, max_size=4))
def test_what_comes_in_goes_out_or_is_rejected(counts: list[tuple[int, int]]) -> None:
    with transaction.atomic():
        plant = Plant()
        planned(plant)
        lot = waiting(plant, "K1", *(pieces for pieces, _ in counts))
        told = [(f"K1-{n}", pieces, min(pieces, bad)) for n, (pieces, bad) in enumerate(counts, 1)]
        found = inspected(plant, lot, *told)
        out = sum(container.quantity for container in lot.containers.all())
        assert found.inspected == sum(pieces for pieces, _ in counts) == out + found.rejected
        rows = InspectionCount.objects.filter(inspection=found)
        assert sum(row.inspected for row in rows) == found.inspected
        assert sum(row.rejected for row in rows) == found.rejected
        transaction.set_rollback(True)


# Samples -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rejected", "verdict"), [(3, "quarantined"), (4, "rejected")])
def test_a_sample_is_decided_by_its_numbers(rejected: int, verdict: str) -> None:
    """ANSI/ASQ Z1.4: of 2,000 at level II and AQL 1.0, K: 125 pieces, accept 3, reject 4."""
    plant = Plant()
    planned(plant, SAMPLE)
    lot = waiting(plant)
    (task,) = list_tasks(lot)
    assert (task.pieces, task.plan, task.severity) == (125, ("K", 125, 3, 4), "normal")
    found = sampled(plant, lot, 125, rejected)
    assert (found.letter, found.size, found.accept, found.reject, found.accepted) == (
        "K", 2_000, 3, 4, rejected == 3,
    )  # fmt: skip
    assert status(lot) == verdict and box("K1-1").quantity == 1_000 - rejected


def test_a_small_lot_is_inspected_whole_and_an_uncounted_one_is_asked_for_its_size() -> None:
    plant = Plant()
    planned(plant, SAMPLE)
    assert list_tasks(waiting(plant, "K1", 9))[0].pieces == 9  # its sample would be 13
    lot = plant.lot("K2", containers=[("K2-1", None)], minute=1)
    (task,) = list_tasks(lot)
    assert (task.pieces, task.plan) == (None, None)
    told = {"lot": lot, "name": SAMPLE.name, "counts": [(box("K2-1"), 125, 1)]}
    for size in (None, 0, -5, 10**12):
        refused(plant, "inspection-refused", record_inspection, **told, size=size)
    found = plant.do(record_inspection, 5, **told, size=2_000)
    assert (found.letter, found.size, box("K2-1").quantity) == ("K", 2_000, None)


def test_two_rejected_lots_of_five_are_followed_by_tightened_inspection_of_that_supplier_alone() -> None:
    plant = Plant()
    planned(plant, SAMPLE)
    for n, rejected in enumerate((4, 0, 4)):
        sampled(plant, waiting(plant, f"K{n}"), 125, rejected, minute=5 + n)
    (row,) = PlannedInspection.objects.all()
    assert find_severity(plant.resistor, plant.supplier, row).severity == "tightened"
    assert find_severity(plant.resistor, plant.plant, row).severity == "normal"
    lot = waiting(plant, "K9")
    assert list_tasks(lot)[0].plan == ("K", 125, 2, 3)
    found = sampled(plant, lot, 125, 3, minute=20)
    assert (found.severity, found.accepted) == ("tightened", False)


def test_after_five_rejected_on_tightened_inspection_sampling_is_discontinued_until_it_is_resumed() -> None:
    plant = Plant()
    planned(plant, SAMPLE)
    for n in range(7):
        sampled(plant, waiting(plant, f"K{n}"), 125, 4, minute=5 + n)
    lot = waiting(plant, "K9")
    told = {"lot": lot, "name": SAMPLE.name, "counts": [(box("K9-1"), 125, 0)]}
    refused(plant, "sampling-discontinued", record_inspection, **told)
    ruling = {"part": plant.resistor, "supplier": plant.supplier, "ruling": Ruling.RESUME}
    refused(plant, "inspection-refused", rule_sampling, **ruling, reason=" ")
    plant.do(rule_sampling, 30, **ruling, reason="The supplier changed its plating bath; report QA-12.")
    assert list_tasks(lot)[0].severity == "tightened"
    sampled(plant, lot, 125, 0, minute=31)


def test_reduced_inspection_accepts_between_its_numbers_and_is_then_normal_again() -> None:
    """ANSI/ASQ Z1.4 reduced, K at AQL 1.0: 50 pieces, accept 1, reject 4."""
    plant = Plant()
    planned(plant, SAMPLE)
    ruling = {"part": plant.resistor, "supplier": plant.supplier, "ruling": Ruling.PERMIT}
    plant.do(rule_sampling, 1, **ruling, reason="Steady production, few found.")
    for n in range(10):
        sampled(plant, waiting(plant, f"K{n}"), 125, 0, minute=5 + n)
    lot = waiting(plant, "K10")
    assert list_tasks(lot)[0].plan == ("K", 50, 1, 4)
    found = sampled(plant, lot, 50, 3, minute=20)
    assert (found.severity, found.accepted, found.marginal) == ("reduced", True, True)
    assert list_tasks(waiting(plant, "K11"))[0].severity == "normal"


# Gauging -------------------------------------------------------------------------------------------------------------

GOOD = [Decimal(value) for value in ("12.00", "11.98", "12.02", "12.01", "11.99")]


def test_what_was_split_off_does_not_make_a_lot_larger() -> None:
    """Z1.4, table I, level II: 51 to 90 pieces are letter E, a sample of 13; 91 to 150 would be F, 20."""
    plant = Plant()
    planned(plant, SAMPLE, EVERY)
    lot = waiting(plant, "K1", 90)
    plant.do(split_container, 2, source=box("K1-1"), key="S1", quantity=Decimal(30))
    plant.do(split_container, 3, source=box("S1"), key="S2", quantity=Decimal(10))
    (sample, _) = list_tasks(lot)
    assert sample.plan and (sample.plan.letter, sample.pieces) == ("E", 13)
    inspected(plant, lot, ("K1-1", 60, 0), ("S1", 20, 0), ("S2", 10, 0))
    assert list_tasks(lot)[0].plan == sample.plan  # every piece was counted where it was
    plant.do(split_container, 6, source=box("K1-1"), key="S3")
    assert list_tasks(lot)[0].plan == sample.plan


def test_what_was_mixed_of_a_lot_is_quarantined_when_it_is_rejected() -> None:
    plant = Plant()
    bad, good = plant.reel("KA"), plant.reel("KB")
    mixed = plant.do(merge_containers, 2, sources=[plant.do(split_container, 1, source=bad, key="S1"), good], key="M1")
    further = plant.do(merge_containers, 3, sources=[mixed, plant.reel("KC")], key="M2")
    other = plant.do(merge_containers, 3, sources=[plant.reel("KD"), plant.reel("KE")], key="M3")
    assert {status(one.lot) for one in (mixed, further, other)} == {"released"}
    plant.do(reject_lot, 1.5, lot=bad.lot, evidence="Leads oxidised.")
    assert [status(one.lot) for one in (bad, good, mixed, further, other)] == [
        "rejected", "released", "quarantined", "quarantined", "released",
    ]  # fmt: skip
    refusal = refused(plant, "lot-not-released", load_feed, feed=plant.slot_r, container=further)
    assert further.lot.key in refusal.message
    assert further.lot.statuses.get().evidence == f"holds what was rejected: {bad.lot.key}"
    plant.do(release_lot, 9, lot=mixed.lot, evidence="Every piece looked at: none of it is in here.")
    assert status(mixed.lot) == "released" and status(further.lot) == "quarantined"


def test_fabricated_parts_are_gauged_and_every_reading_counts() -> None:
    plant = Plant()
    planned(plant, GAUGE)
    tool = gauge(plant)
    lot = waiting(plant, "K1", 40)
    told = {"name": GAUGE.name, "equipment": tool, "readings": GOOD}
    assert inspected(plant, lot, ("K1-1", 5, 0), **told).equipment == tool and status(lot) == "quarantined"
    bad = waiting(plant, "K2", 40)
    readings = [*GOOD[:4], Decimal("12.03")]
    assert not inspected(plant, bad, ("K2-1", 5, 1), **{**told, "readings": readings}).accepted
    assert status(bad) == "rejected" and box("K2-1").quantity == 39
    few = waiting(plant, "K3", 3)
    assert inspected(plant, few, ("K3-1", 3, 0), **{**told, "readings": GOOD[:3]}).accepted
    left = {"lot": waiting(plant, "K4", 40), "counts": [(box("K4-1"), 5, 0)]}
    refused(plant, "inspection-refused", record_inspection, **left, **{**told, "readings": ()})
    refused(plant, "inspection-refused", record_inspection, **{**left, "counts": [(box("K4-1"), 4, 0)]}, **told)


def test_a_gauge_that_is_not_fit_measures_nothing() -> None:
    plant = Plant()
    planned(plant, GAUGE)
    lot = waiting(plant, "K1", 40)
    other = plant.do(define_equipment, key="HV-1", name="Tester", kind="high-voltage tester")
    fresh, fit = gauge(plant, "BG-0", calibrated=False), gauge(plant)
    told = {"lot": lot, "name": GAUGE.name, "counts": [(box("K1-1"), 5, 0)], "readings": GOOD}
    for wrong in (None, other, fresh):
        refused(plant, "gauge-not-fit", record_inspection, **told, equipment=wrong)
    late = timedelta(days=366) / timedelta(minutes=1)
    refused(plant, "gauge-not-fit", record_inspection, late, **told, equipment=fit)
    piece = plant.do(define_check_piece, key="RING-12", name="ring 12.00", good=True, equipment=fit)
    refused(plant, "gauge-not-fit", record_inspection, 10, **told, equipment=fit)
    plant.do(record_check, 11, equipment=fit, piece=piece, said_good=True)
    retired = gauge(plant, "BG-2")
    plant.do(retire_equipment, 12, equipment=retired)
    refused(plant, "gauge-not-fit", record_inspection, 12, **told, equipment=retired)
    plant.do(record_inspection, 12, **told, equipment=fit)


# What becomes of it --------------------------------------------------------------------------------------------------


def test_a_lot_is_released_once_all_that_is_planned_is_accepted() -> None:
    plant = Plant()
    planned(plant, EVERY, SAMPLE)
    lot = waiting(plant)
    refused(plant, "inspection-refused", release_lot, lot=lot, evidence="We need it.")
    inspected(plant, lot, ("K1-1", 1_000, 0), ("K1-2", 1_000, 0))
    refusal = refused(plant, "inspection-refused", release_lot, lot=lot, evidence="We need it.")
    assert SAMPLE.name in refusal.message
    sampled(plant, lot, 125, 0)
    refused(plant, "status-refused", release_lot, lot=lot, evidence=" ")
    refused(plant, "status-refused", release_lot, 0.5, lot=lot, evidence="Before it came.")
    technician = make_person("TEC", roles=[Role.TECHNICIAN])
    refused(plant, "not-permitted", release_lot, lot=lot, evidence="x", by=technician)
    plant.do(release_lot, 6, lot=lot, evidence="Report 12.")
    refused(plant, "status-refused", release_lot, lot=lot, evidence="again")
    assert status(lot) == "released"
    assert [list_statuses_at([lot], ticks(minute))[lot.pk] for minute in (0, 1, 5.9, 6)] == [
        "quarantined", "quarantined", "quarantined", "released",
    ]  # fmt: skip


def test_a_rejected_lot_goes_back_to_the_supplier_or_is_sorted_and_inspected_again() -> None:
    plant = Plant()
    planned(plant, SAMPLE)
    lot = waiting(plant)
    sampled(plant, lot, 125, 9)
    counts = [(box("K1-1"), 991, 41), (box("K1-2"), 1_000, 50)]
    refused(plant, "inspection-refused", sort_lot, lot=lot, counts=counts[:1], evidence="x")
    nothing = [(box("K1-1"), 991, 991), (box("K1-2"), 1_000, 1_000)]
    refused(plant, "inspection-refused", sort_lot, lot=lot, counts=nothing, evidence="x")
    refused(plant, "status-refused", sort_lot, lot=waiting(plant, "K2"), counts=counts, evidence="x")
    sorting = plant.do(sort_lot, 10, lot=lot, counts=counts, evidence="Sorted by hand, report 13.")
    assert (sorting.round, sorting.manner, status(lot)) == (2, "sorted", "quarantined")
    assert [box(key).quantity for key in ("K1-1", "K1-2")] == [950, 950]
    again = sampled(plant, lot, 125, 0, minute=11)
    assert (again.round, again.accepted) == (2, True)
    (row,) = PlannedInspection.objects.all()
    assert find_severity(plant.resistor, plant.supplier, row).run == (False,)  # only what came first counts
    plant.do(release_lot, 12, lot=lot, evidence="Report 14.")
    plant.do(reject_lot, 13, lot=lot, evidence="Parts drift after solder.")
    plant.do(return_lot, 14, lot=lot, evidence="Returned, note R-5.")
    assert [name for name, _ in history(lot)] == [
        "quarantined", "rejected", "quarantined", "released", "rejected", "returned",
    ]  # fmt: skip
    assert {box(key).gone for key in ("K1-1", "K1-2")} == {ticks(14)}
    for operation in (release_lot, reject_lot, return_lot):
        refused(plant, "status-refused", operation, lot=lot, evidence="again")


def test_nothing_goes_back_that_is_on_a_feed_or_held() -> None:
    plant = Plant()
    lot = waiting(plant)
    plant.do(load_feed, 2, feed=plant.slot_r, container=box("K1-1"))
    refused(plant, "status-refused", return_lot, lot=lot, evidence="Too many ordered.")
    plant.do(reject_lot, 3, lot=lot, evidence="The supplier called it back.")
    refused(plant, "stock-refused", return_lot, lot=lot, evidence="Note R-5.")
    plant.do(take_off_feed, 4, feed=plant.slot_r)
    (hold,) = plant.do(place_holds, 5, targets=[box("K1-2")], reason="Kept as evidence.")
    refused(plant, "held", return_lot, lot=lot, evidence="Note R-5.")
    assert Move.RETURN not in hold.permits
    plant.do(place_holds, 5, targets=[lot], reason="May only be returned.", permits=[Move.RETURN])
    plant.do(discard_container, 6, container=plant.reel("X"), reason="used up")
    hold.released, hold.released_by, hold.release_reason = moment(6), plant.ann, "Photographed."
    hold.save()
    plant.do(return_lot, 7, lot=lot, evidence="Note R-5.")


def test_what_is_out_of_released_stock_waits_first() -> None:
    plant = Plant()
    waiting(plant, "K0")
    planned(plant)
    planned(plant, part=plant.capacitor)
    enough, none, later = waiting(plant, "K1"), waiting(plant, "C1", part=plant.capacitor), None
    later = waiting(plant, "C2", part=plant.capacitor, minute=3)
    plant.do(reject_lot, 4, lot=waiting(plant, "C3", part=plant.capacitor), evidence="Wrong marking.")
    assert [(lot.key, left) for lot, left in list_waiting()] == [
        (none.key, 0), (later.key, 0), (enough.key, 2), ("C3", 0),
    ]  # fmt: skip
