"""Every named constraint of these areas: a row that is right, and one that breaks it.

A new constraint without an entry here fails the suite.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, models, transaction

from tests.containment.constraints import BREAKS as OF_CONTAINMENTS
from tests.factories import Plant, make_person, moment, ticks
from trace.approvals.models import Attachment, Deviation, Signature
from trace.core.clock import OPEN
from trace.core.models import Badge, Device, Token
from trace.engineering.equipment import Equipment, Program
from trace.engineering.models import CauseCode, Characteristic, FaultCode
from trace.floor.models import (
    Alias,
    BatchPass,
    Carried,
    Carrier,
    Carton,
    Closing,
    Conformity,
    Consignment,
    Customer,
    Diagnosis,
    Fault,
    FirstPiece,
    Fitting,
    Packing,
    Pallet,
    Pass,
    Reading,
    RefusedScan,
    Repair,
    Return,
    Salvage,
    Sample,
    SampleEntry,
    SampleRule,
    Shipment,
    Skip,
    Stacking,
    WorkOrder,
)
from trace.holds.models import Disposition, Hold
from trace.ledger.models import Answer, Event, EventSubject
from trace.material.models import (
    Axis,
    BagRecord,
    BathLimit,
    BathReading,
    Call,
    Container,
    Count,
    Delivery,
    Derivation,
    EmptyPlace,
    Expected,
    Feed,
    FeedRecord,
    Inspection,
    InspectionCount,
    InspectionReading,
    Lot,
    LotStatus,
    Mount,
    PlannedInspection,
    Receipt,
    SamplingRuling,
    ScrappedParts,
    SetUp,
    SetUpLine,
    Source,
    Span,
    Supplier,
    Tape,
    TapeReading,
    TapeStop,
)

AREAS = {"core", "ledger", "approvals", "holds", "material", "floor", "containment"}

Make = Callable[[Plant], models.Model]


def saved(model: type[models.Model], **fields: Any) -> Any:
    return model._default_manager.create(**fields)


def token(p: Plant) -> Token:
    return Token(person=p.ann, name="bench", digest="0a" * 32, issued=moment())


def source(p: Plant) -> Source:
    return Source(part=p.resistor, supplier=p.supplier, number="A-1", since=moment())


def second_source(p: Plant) -> Source:
    saved_copy(source(p))
    return Source(part=p.capacitor, supplier=p.supplier, number="A-1", since=moment(), until=moment(), reason="x")


def planned(p: Plant, **fields: Any) -> PlannedInspection:
    """Every piece, measured."""
    told = {"manner": "every piece", "unit_of_measure": "V", "lower": 1, "upper": 2, "allowable": 5, **fields}
    return PlannedInspection(part=p.resistor, number=1, name="Voltage", **told)


def planned_sample(p: Plant) -> PlannedInspection:
    limits = {"unit_of_measure": "", "lower": None, "upper": None, "allowable": None}
    return planned(p, manner="sample", aql=1, level="II", **limits)


def planned_gauging(p: Plant) -> PlannedInspection:
    return planned(p, manner="gauged", pieces=5, equipment="gauge", allowable=None)


def inspection(p: Plant, **fields: Any) -> Inspection:
    """A sample that was accepted."""
    told = {"manner": "sample", "accept": 1, "reject": 2, "inspected": 50, "rejected": 1, "accepted": True, **fields}
    return Inspection(lot=p.lot(), round=1, name="Finish", size=500, at=9, by=p.ann, recorded=9, **told)


def inspection_count(p: Plant) -> InspectionCount:
    found = inspection(p)
    found.save()
    return InspectionCount(inspection=found, container=p.reel(), inspected=50, rejected=1)


def inspection_reading(p: Plant) -> InspectionReading:
    found = inspection(p)
    found.save()
    return InspectionReading(inspection=found, number=1, value=1)


def lot_status(p: Plant) -> LotStatus:
    return LotStatus(lot=p.lot(), status="released", since=9, evidence="x", by=p.ann, recorded=9)


def ruling(p: Plant) -> SamplingRuling:
    told = {"ruling": "resumed", "reason": "x", "at": 9, "recorded": 9}
    return SamplingRuling(part=p.resistor, supplier=p.supplier, by=p.ann, **told)


def second_token(p: Plant) -> Token:
    saved_copy(token(p))
    return Token(person=p.ann, name="bench", digest="0b" * 32, issued=moment(), ended=moment())


def badge(p: Plant) -> Badge:
    return Badge(person=p.ann, digest="0c" * 32, pin="x", issued=moment())


def second_badge(p: Plant) -> Badge:
    saved_copy(badge(p))
    return Badge(person=p.ann, digest="0c" * 32, pin="x", issued=moment(), ended=moment())


def device(p: Plant) -> Device:
    return Device(key="D", name="d", stations=["INSERT"], digest="0e" * 32, issued=moment())


def event(p: Plant) -> Event:
    return saved(Event, verb="x", by=p.ann, happened=moment(), recorded=moment(), payload="{}")


def subject(p: Plant) -> EventSubject:
    return EventSubject(event=event(p), kind="lot", key="L")


def second_subject(p: Plant) -> EventSubject:
    return EventSubject(event=saved_copy(subject(p)).event, kind="lot", key="M")


def saved_copy(record: Any) -> Any:
    record.save()
    return record


def answer(p: Plant) -> Answer:
    return Answer(client="c", key="1", digest="d", recorded=moment())


def attachment(p: Plant) -> Attachment:
    return Attachment(
        key="FILE-1", target_kind="lot", target_key="L", name="c.pdf", media_type="application/pdf", size=1,
        sha256="0a" * 32, attached=moment(), by=p.ann,
    )  # fmt: skip


def signature(p: Plant) -> Signature:
    return Signature(
        target_kind="lot", target_key="L", meaning="approved", digest="d", person=p.ann, name="Ann", signed=moment()
    )


def deviation(p: Plant, **fields: Any) -> Deviation:
    return Deviation(
        **{
            "key": "DEV-1", "rules": ["expired"], "scope": ["part:BOARD"], "reason": "x", "expires": moment(1),
            "most": 2, "used": 2, "opened": moment(), "opened_by": p.ann, "recorded": moment(), **fields,
        }
    )  # fmt: skip


def skip(p: Plant) -> Skip:
    (board,), step = p.boards(), p.board.steps.first()
    fields = {"unit": board, "step": step, "deviation": saved_copy(deviation(p)), "at": 1, "by": p.ann, "recorded": 1}
    saved(Skip, **fields)
    return Skip(**fields, superseded=2)


def reading(p: Plant) -> Reading:
    """Measured with equipment that had a program on it."""
    limits = {"part": p.board, "step_number": 20, "number": 1, "name": "Ripple", "unit_of_measure": "mV", "upper": 20}
    tester = saved(Equipment, key="HV-1", name="x", kind="tester")
    return Reading(
        unit=p.boards()[0], characteristic=saved(Characteristic, **limits), step=p.board.steps.get(number=20),
        station=p.test, value=5, good=True, equipment=tester,
        program=saved(Program, key="P-1", kind="tester", name="x", revision="1"), attempt=1, by=p.ann,
        happened=1, recorded=1,
    )  # fmt: skip


def first_piece(p: Plant) -> FirstPiece:
    (board,), step = p.boards(), p.board.steps.first()
    told = {"approved": False, "reason": "x", "happened": 1, "recorded": 1}
    return FirstPiece(setup=p.setup, step=step, unit=board, by=p.ann, **told)


def hold(p: Plant) -> Hold:
    return Hold(
        target_kind="lot",
        target_key="L",
        reason="x",
        placed=moment(),
        placed_by=p.ann,
        recorded=moment(),
        released=moment(1),
        released_by=p.ann,
        release_reason="y",
    )


def lot(p: Plant) -> Lot:
    return Lot(key="L", supplier=p.supplier, part=p.resistor, number="1", date_code="2601", received=moment())


def container(p: Plant) -> Container:
    lot = p.lot()
    return Container(key="CB", part=p.resistor, lot=lot, quantity=1, received=ticks(1), gone=ticks(2))


def receipt(p: Plant, **fields: Any) -> Receipt:
    told = {"label": "x", "digest": "0f" * 32, "received": moment(), "by": p.ann, **fields}
    return Receipt(supplier=p.supplier, part=p.resistor, **told)


def second_receipt(p: Plant) -> Receipt:
    saved_copy(receipt(p, package="PK-1", label="", digest=""))
    return receipt(p, package="PK-2")


def delivery(p: Plant, **fields: Any) -> Delivery:
    told = {"key": "D", "number": "D-1", "announced": moment(), "by": p.ann, **fields}
    return Delivery(supplier=p.supplier, **told)


def closed_delivery(p: Plant) -> Delivery:
    return delivery(p, closed=moment(1), closed_by=p.ann, remark="lost")


def expected(p: Plant) -> Expected:
    delivered = Delivery.objects.first() or saved_copy(delivery(p))
    return Expected(delivery=delivered, package="PK-1", part=p.resistor, number="A-1", lot="L", quantity=1)


def derivation(p: Plant, **fields: Any) -> Derivation:
    return Derivation(
        **{
            "result": p.reel("CB-1"),
            "source": p.reel("CB-2"),
            "deed": "split",
            "at": 1,
            "by": p.ann,
            "recorded": 1,
            **fields,
        }
    )


def sealed(p: Plant) -> BagRecord:
    return BagRecord(container=p.reel("CB-1"), act="sealed", at=1, storage="dry pack", by=p.ann, recorded=1)


def baked(p: Plant) -> BagRecord:
    oven = saved(Equipment, key="OVEN", name="Oven", kind="oven")
    told = {"act": "baked", "storage": "", "temperature": 125, "hours": 8, "equipment": oven}
    return BagRecord(container=p.reel("CB-1"), at=1, by=p.ann, recorded=1, **told)


def tape(p: Plant) -> Tape:
    return Tape(key="T", assembly=p.board, links=3, board_sets=5, built_from=1, built_until=2)


def tape_stop(p: Plant) -> TapeStop:
    return TapeStop(tape=saved_copy(tape(p)), first=3, last=5, reason="x", since=1, by=p.ann)


def tape_reading(p: Plant) -> TapeReading:
    told = {"name": "x", "value": 1, "unit_of_measure": "mm", "lower": 0, "happened": 1, "by": p.ann}
    return TapeReading(tape=saved_copy(tape(p)), **told)


def empty_place(p: Plant) -> EmptyPlace:
    return EmptyPlace(feed=p.slot_r, designator="R1", board_set=1, happened=1, by=p.ann)


def mount(p: Plant) -> Mount:
    return Mount(tape=saved_copy(tape(p)), station=p.insertion, first=0, since=1, by=p.ann)


def second_mount(p: Plant) -> Mount:
    first = saved_copy(mount(p))
    return Mount(tape=first.tape, station=p.test, first=0, since=1, until=2, by=p.ann)


def mount_beside(p: Plant) -> Mount:
    first = saved_copy(mount(p))
    first.tape.pk, first.tape.key = None, "T2"
    first.tape.save()
    return Mount(tape=first.tape, station=p.insertion, first=0, since=1, until=2, by=p.ann)


def axis(p: Plant) -> Axis:
    return Axis(kind="tape", tape=saved_copy(tape(p)))


def head(p: Plant) -> Feed:
    return Feed(key="H", kind="head", axis=p.slot_r.axis, distance=3)


def setup(p: Plant) -> SetUp:
    SetUp.objects.filter(pk=p.setup.pk).update(end=ticks(1))
    return SetUp(key="S2", assembly=p.board, axis=p.slot_r.axis, first=ticks(2))


def line(p: Plant) -> SetUpLine:
    SetUpLine.objects.filter(setup=p.setup, designator="R1").update(link=1)
    return SetUpLine(setup=p.setup, feed=p.slot_r, designator="X1", link=2)


def feed_record(p: Plant) -> FeedRecord:
    return FeedRecord(
        feed=p.slot_r,
        act="splice",
        container=p.reel("CB-1"),
        first=1,
        last=2,
        lead=3,
        tolerance=1,
        happened=1,
        by=p.ann,
        recorded=1,
    )


def span(p: Plant) -> Span:
    return Span(
        feed=p.slot_r, axis=p.slot_r.axis, first=10, end=20, sure_from=10, since=1, until=2, oldest=10, recorded=1
    )


def order(p: Plant) -> WorkOrder:
    return WorkOrder(key="WO", part=p.board, site=p.site, quantity=1, released=moment())


def label(p: Plant) -> Alias:
    (board,) = p.boards()
    return Alias(unit=board, kind="label", text=f"{board.key}-L2", reason="torn", at=1, by=p.ann, recorded=1)


def second_label(p: Plant) -> Alias:
    first = label(p)
    first.text = "L-2"
    first.save()
    return label(p)


def customers_serial(p: Plant) -> Alias:
    (board,) = p.boards()
    return Alias(unit=board, kind="customer", text="4711", at=1, by=p.ann, recorded=1)


def returned(p: Plant) -> Return:
    (board,) = p.boards()
    customer = Customer.objects.create(key="CUST", name="A customer")
    shipment = Shipment.objects.create(key="S", customer=customer, opened=1)
    return Return(
        key="RET-1", unit=board, customer=customer, shipment=shipment, complaint="stops", hold=saved_copy(hold(p)),
        received=5, by=p.ann, recorded=6,
    )  # fmt: skip


def closed_return(p: Plant) -> Return:
    it = returned(p)
    it.closed, it.closed_by, it.disposition, it.close_recorded = 7, p.ann, saved_copy(disposition(p)), 8
    return it


def conformity(p: Plant) -> Conformity:
    (board,) = p.boards()
    return Conformity(unit=board, part=p.board, at=1, reason="change 17", by=p.ann, recorded=1)


def visit(p: Plant) -> Pass:
    (board,) = p.boards()
    return Pass(
        unit=board,
        step=p.board.steps.first(),
        station=p.insertion,
        assembly=p.board,
        axis=p.setup.axis,
        first=1,
        last=2,
        length_class=1,
        began=1,
        ended=2,
        outcome="passed",
        by=p.ann,
        recorded=1,
    )


def second_visit(p: Plant) -> Pass:
    first, second = visit(p), visit(p)
    first.inside, first.outcome, first.unit = True, "", second.unit
    first.save()
    return second


def fitting(p: Plant, **fields: Any) -> Fitting:
    (product,), (board,) = p.products(), p.boards()
    content = {"holds": "child", "child": board, "child_level": 1, **fields}
    return Fitting(unit=product, designator="M1", parent_level=2, since=5, until=6, by=p.ann, recorded=1, **content)


def second_fitting(p: Plant) -> Fitting:
    first, second = fitting(p), fitting(p)
    first.until = None
    first.save()
    second.child = first.child
    second.until = None
    second.superseded = 9
    return second


def fitting_at_the_same_place(p: Plant) -> Fitting:
    first, second = fitting(p), fitting(p)
    first.until = None
    first.save()
    second.unit = first.unit
    return second


def fault(p: Plant) -> Fault:
    (unit,) = p.boards(1)
    code, _ = FaultCode.objects.get_or_create(key="BRIDGE", name="solder bridge")
    return Fault(unit=unit, code=code, station=p.test, found=5, by=p.ann, recorded=9)


def diagnosis(p: Plant) -> Diagnosis:
    cause, _ = CauseCode.objects.get_or_create(key="WAVE", name="wave too slow")
    return Diagnosis(fault=saved_copy(fault(p)), cause=cause, at=6, by=p.ann, recorded=9)


def repair(p: Plant) -> Repair:
    (unit,) = p.boards(1)
    return Repair(unit=unit, action="resoldered", minutes=1, at=7, by=p.ann, recorded=9)


def disposition(p: Plant) -> Disposition:
    told = {"target_kind": "unit", "target_key": "B", "decision": "scrap", "reason": "x", "decided": moment()}
    return Disposition(key="D-1", permits=[], decided_by=p.ann, recorded=moment(), **told)


def salvage(p: Plant) -> Salvage:
    (board,) = p.boards()
    return Salvage(unit=board, designator="R1", result=p.reel("CB-1"), at=1, by=p.ann, recorded=1)


def packing(p: Plant) -> Packing:
    (product,) = p.products()
    carton = saved(Carton, key="CT", made=1)
    saved(Packing, unit=product, carton=carton, since=1, by=p.ann, recorded=1)
    return Packing(unit=product, carton=carton, since=5, until=6, by=p.ann, recorded=1)


def consignment(p: Plant) -> Consignment:
    carton = saved(Carton, key="CT", made=1)
    shipment = saved(Shipment, key="SH", customer=saved(Customer, key="C", name="C"), opened=1)
    saved(Consignment, carton=carton, shipment=shipment, since=1)
    return Consignment(carton=carton, shipment=shipment, since=5, until=6)


def sample_rule(p: Plant) -> SampleRule:
    return SampleRule(
        number="BOARD", name="life test", kind="hours", demand=500, step_number=20, chooses="one in", every=50, days=30
    )


def sample(p: Plant) -> Sample:
    """Of a life test that a board passed."""
    (board,) = p.boards()
    ran = {"started": 2, "started_by": p.ann, "start_recorded": 2, "ended": 3, "ended_by": p.ann, "end_recorded": 3}
    told = {"unit": board, "test": "life test", "kind": "hours", "demand": 500, "step": p.board.steps.first()}
    return Sample(**told, **ran, result="passed", owed=1, by=p.ann, recorded=1)


def sample_waived(p: Plant) -> Sample:
    it = sample(p)
    it.started = it.started_by = it.start_recorded = None
    it.deviation, it.reason, it.result = saved_copy(deviation(p)), "no room", "waived"
    return it


def sample_entry(p: Plant) -> SampleEntry:
    return SampleEntry(sample=saved_copy(sample(p)), done=12, at=2, by=p.ann, recorded=2)


def closing(p: Plant) -> Closing:
    """A carton that was opened again, and is closed."""
    carton = saved(Carton, key="CT", made=1)
    saved(Closing, carton=carton, since=5, by=p.ann, recorded=5)
    told = {"since": 1, "until": 4, "by": p.ann, "recorded": 1, "opened_by": p.ann, "reason": "x", "ended": 4}
    return Closing(carton=carton, **told)


def stacking(p: Plant) -> Stacking:
    carton, pallet = saved(Carton, key="CT", made=1), saved(Pallet, key="PAL", made=1)
    saved(Stacking, carton=carton, pallet=pallet, since=1, by=p.ann, recorded=1)
    return Stacking(carton=carton, pallet=pallet, since=5, until=6, by=p.ann, recorded=1)


def rack(p: Plant) -> Carrier:
    return Carrier(key="RACK", kind="rack", slots=4, made=1)


def panel(p: Plant) -> Carrier:
    return Carrier(key="PANEL", kind="panel", part=p.board, slots=4, made=1)


def carried(p: Plant) -> Carried:
    """A unit in a slot, which it left and took again."""
    (board,) = p.boards()
    held = saved_copy(rack(p))
    saved(Carried, unit=board, carrier=held, slot=1, since=1, by=p.ann, recorded=1)
    return Carried(unit=board, carrier=held, slot=2, since=5, until=6, by=p.ann, recorded=1)


def in_the_same_slot(p: Plant) -> Carried:
    (other,) = p.boards()
    row = carried(p)
    row.unit, row.slot = other, 1
    return row


def batch_pass(p: Plant, **fields: Any) -> BatchPass:
    counted = saved_copy(count_row(p))
    told = {"container": counted.container, "step": p.board.steps.first(), "station": p.test, "count": counted}
    numbers = {"quantity": 6, "good": 5, "scrapped": 1, "reason": "bent"}
    return BatchPass(began=1, ended=2, scanned_out=2, by=p.ann, recorded=1, **told, **numbers)


def copy_of(make: Make) -> Make:
    """Of a row that is saved, another that differs in nothing that is unique by itself."""

    def second(p: Plant) -> models.Model:
        row = saved_copy(make(p))
        row.pk = None
        return row

    return second


def bath_limit(p: Plant) -> BathLimit:
    return BathLimit(feed=p.slot_r, name="copper", unit="%", low=0, high=1)


def bath_reading(p: Plant) -> BathReading:
    return BathReading(feed=p.slot_r, name="copper", value=1, unit="%", at=1, by=p.ann, recorded=1)


def count_row(p: Plant) -> Count:
    return Count(container=p.reel("CB-1"), quantity=5, least=4, most=6, at=1, by=p.ann, recorded=1)


def scrapped_parts(p: Plant) -> ScrappedParts:
    return ScrappedParts(container=p.reel("CB-1"), quantity=5, reason="bent", at=1, by=p.ann, recorded=1)


def call(p: Plant) -> Call:
    return Call(
        key="CALL-1", station=p.insertion, part=p.resistor, called=1, called_by=p.ann,
        container=p.reel("CB-1"), issued=2, issued_by=p.ann, delivered=3, delivered_by=p.ann,
    )  # fmt: skip


def refused_scan(p: Plant) -> RefusedScan:
    told = {"scanned": "Scan in SN-1", "code": "held", "sentence": "Stop."}
    settled = {"settled": 5, "settled_by": p.ann, "reason": "done again", "ended": 6}
    return RefusedScan(key="SCAN-1", station=p.test, by=p.ann, happened=2, recorded=3, **told, **settled)


def second_call(p: Plant) -> Call:
    first = call(p)
    first.delivered = first.delivered_by = None
    first.save()
    return Call(
        key="CALL-2", station=p.insertion, part=p.resistor, called=1, called_by=p.ann,
        container=first.container, issued=2, issued_by=p.ann, delivered=3, delivered_by=p.ann,
    )  # fmt: skip


BREAKS: dict[str, list[tuple[Make, dict[str, Any]]]] = {
    "subject_once_per_event": [(second_subject, {"key": "L"})],
    "one_answer_per_request": [(copy_of(answer), {})],
    "release_is_signed_and_reasoned": [
        (hold, {"released": None}),
        (hold, {"released_by": None}),
        (hold, {"release_reason": ""}),
        (hold, {"released": None, "released_by": None}),
    ],
    "attached_once_to_a_thing": [(copy_of(attachment), {"key": "FILE-2"})],
    "attachment_named_by_sha256": [(attachment, {"sha256": "0A" * 32})],
    "signed_once_with_a_meaning": [(copy_of(signature), {"target_key": "M"})],
    "signature_has_a_printed_name": [(signature, {"name": ""})],
    "deviation_used_within_its_count": [(deviation, {"used": 3}), (deviation, {"used": 0, "most": 0})],
    "deviation_expires_after_opening": [(deviation, {"expires": moment()})],
    "deviation_has_a_reason": [(deviation, {"reason": ""})],
    "revocation_is_signed_and_reasoned": [
        (deviation, {"revoked": moment(1)}),
        (lambda p: deviation(p, revoked=moment(1), revoked_by=p.ann, revoke_reason="y"), {"revoke_reason": ""}),
        (lambda p: deviation(p, revoked=moment(1), revoked_by=p.ann, revoke_reason="y"), {"revoked_by": None}),
        (lambda p: deviation(p, revoked=moment(1), revoked_by=p.ann, revoke_reason="y"), {"revoked": None}),
    ],
    "first_piece_rejected_for_a_reason": [(first_piece, {"reason": ""})],
    "step_skipped_once_by_a_unit": [(skip, {"superseded": None})],
    "reading_attempt_once": [(copy_of(reading), {})],
    "reading_attempts_from_one": [(reading, {"attempt": 0})],
    "reading_measured_or_judged": [
        (reading, {"value": None}),
        (reading, lambda r: {"judge": r.by}),
    ],
    "reading_program_on_equipment": [(reading, {"equipment": None})],
    "plant_supplies_once": [(lambda p: Supplier(key="X", name="X"), {"is_plant": True})],
    "lot_received_under_one_record": [(copy_of(lot), {"key": "L2"})],
    "package_received_once": [(second_receipt, {"package": "PK-1"})],
    "label_received_once": [(lambda p: (saved_copy(receipt(p)), receipt(p, copy=2))[1], {"copy": 1})],
    "receipt_copies_from_one": [(receipt, {"copy": 0})],
    "label_has_its_digest": [(receipt, {"label": ""}), (receipt, {"digest": ""})],
    "delivery_announced_once": [
        (lambda p: (saved_copy(delivery(p)), delivery(p, key="D2", number="D-2"))[1], {"number": "D-1"})
    ],
    "delivery_closed_by_somebody": [
        (closed_delivery, {"closed": None}),
        (closed_delivery, {"closed_by": None}),
        (closed_delivery, {"closed": moment(-1)}),
        (closed_delivery, {"closed": None, "closed_by": None}),
    ],
    "expected_quantity_positive": [(expected, {"quantity": 0})],
    "package_on_a_list_once": [
        (lambda p: (saved_copy(expected(p)), setattr(second := expected(p), "lot", "M"), second)[2], {"lot": "L"})
    ],
    "container_quantity_not_negative": [(container, {"quantity": -1})],
    "container_tolerance_positive": [(container, {"tolerance": -1})],
    "container_gone_after_received": [(container, {"gone": ticks(0.5)})],
    "container_not_derived_from_itself": [(derivation, lambda d: {"source": d.result})],
    "only_a_remainder_is_of_unknown": [(derivation, {"source": None})],
    "sealed_bag_says_how_it_is_kept": [
        (sealed, {"storage": ""}),
        (sealed, {"act": "opened"}),
        (baked, {"storage": "dry pack"}),
    ],
    "bake_states_oven_heat_and_time": [
        (baked, {"temperature": None}),
        (baked, {"hours": None}),
        (baked, {"hours": 0}),
        (baked, {"equipment": None}),
        (baked, {"act": "opened"}),
        (sealed, {"hours": 1}),
    ],
    "one_limit_by_its_name": [(copy_of(bath_limit), {})],
    "bath_limit_has_a_unit": [(bath_limit, {"unit": ""})],
    "bath_limits_in_order": [(bath_limit, {"high": -1})],
    "bath_reading_has_a_unit": [(bath_reading, {"unit": ""})],
    "count_not_negative": [(count_row, {"least": None, "most": None, "quantity": -1})],
    "count_beside_what_was_on_record": [(count_row, {"most": None}), (count_row, {"most": 3, "reason": "x"})],
    "count_that_differs_has_a_reason": [(count_row, {"quantity": 7}), (count_row, {"quantity": 3})],
    "some_parts_scrapped": [(scrapped_parts, {"quantity": 0})],
    "parts_scrapped_for_a_reason": [(scrapped_parts, {"reason": ""})],
    "refused_scan_settled_with_a_reason": [
        (refused_scan, {"reason": ""}),
        (refused_scan, {"settled_by": None}),
        (refused_scan, {"ended": None}),
        (refused_scan, {"settled": None}),
    ],
    "refused_scan_settled_afterwards": [(refused_scan, {"settled": 1})],
    "call_for_some": [(call, {"quantity": 0})],
    "call_issued_with_a_container": [
        (call, {"container": None}),
        (call, {"issued": 0}),
        (call, {"issued": None, "delivered": None, "delivered_by": None}),
    ],
    "call_delivered_after_it_was_issued": [
        (call, {"delivered": 1}),
        (call, {"delivered_by": None}),
        (call, {"container": None, "issued": None, "issued_by": None}),
    ],
    "call_withdrawn_for_a_reason": [
        (call, {"withdrawn": 5, "reason": "x"}),
        (call, {"delivered": None, "delivered_by": None, "withdrawn": 5}),
    ],
    "container_on_its_way_once": [(second_call, {"delivered": None, "delivered_by": None})],
    "tape_has_links": [(tape, {"links": 0})],
    "tape_built_forward": [(tape, {"built_until": 0})],
    "tape_aborted_is_ended": [(tape, {"aborted": "torn", "built_until": OPEN})],
    "tape_stands_once": [(copy_of(tape_stop), {"until": OPEN})],
    "tape_stop_runs_forward": [(tape_stop, {"first": -1}), (tape_stop, {"last": 2}), (tape_stop, {"until": 0})],
    "place_found_empty_once": [(copy_of(empty_place), {})],
    "tape_reading_of_a_component_or_the_tape": [(tape_reading, lambda r: {"feed": Feed.objects.get(key="SLOT-R")})],
    "tape_reading_has_a_limit": [(tape_reading, {"lower": None})],
    "tape_mounted_once": [(second_mount, {"until": OPEN})],
    "one_tape_mounted_at_a_station": [(mount_beside, {"until": OPEN})],
    "mount_runs_forward": [(mount, {"first": -1}), (mount, {"end": -1}), (mount, {"until": 0})],
    "axis_of_station_or_tape": [
        (axis, {"tape": None}),
        (axis, {"kind": "clock"}),
        (axis, lambda a: {"station": Axis.objects.get(station__key="INSERT").station, "kind": "clock"}),
    ],
    "only_a_clock_has_slack": [(axis, {"slack": 1}), (axis, {"slack": -1})],
    "only_a_head_has_a_distance": [(head, {"kind": "slot"})],
    "one_open_setup_per_assembly": [(copy_of(setup), {"key": "S3"})],
    "setup_runs_forward": [(setup, {"end": 1})],
    "one_feed_per_designator": [(line, {"designator": "R1"})],
    "one_designator_per_link": [(line, {"link": 1})],
    "feed_record_runs_forward": [(feed_record, {"last": 0})],
    "splice_states_its_lead": [
        (feed_record, {"lead": None}),
        (feed_record, {"tolerance": None}),
        (feed_record, {"act": "load"}),
        (feed_record, {"act": "load", "lead": None}),
    ],
    "feed_record_names_container": [(feed_record, {"container": None})],
    "feed_record_error_not_negative": [(feed_record, {"error": -1})],
    "feed_record_counts_in_order": [(feed_record, {"at_least": 1}), (feed_record, {"quantity": 1, "at_least": 2})],
    "one_part_by_a_suppliers_number": [(second_source, {"until": None})],
    "source_ends_after_it_began": [(source, {"until": moment(-1), "reason": "late"})],
    "source_withdrawn_for_a_reason": [(source, {"until": moment(1)})],
    "token_digest_is_sha256": [(token, {"digest": "secret"}), (token, {"digest": "0A" * 32})],
    "one_token_per_place": [(second_token, {"ended": None})],
    "device_digest_is_sha256": [(device, {"digest": "secret"})],
    "device_has_stations": [(device, {"stations": []})],
    "badge_digest_is_sha256": [(badge, {"digest": "secret"})],
    "badge_has_a_pin": [(badge, {"pin": ""})],
    "one_badge_per_person": [(second_badge, {"ended": None, "digest": "0d" * 32})],
    "one_badge_per_code": [(second_badge, lambda row: {"ended": None, "person": make_person()})],
    "span_not_empty": [(span, {"end": 10}), (span, {"end": 5})],
    "span_oldest_first": [(span, {"oldest": 11})],
    "span_sure_inside": [(span, {"sure_from": 9})],
    "order_for_at_least_one": [(order, {"quantity": 0})],
    "order_closed_for_a_reason": [(order, {"closed": 5})],
    "label_code_of_one_unit": [(second_label, {"text": "L-2"})],
    "alias_of_a_unit_once": [(copy_of(customers_serial), {})],
    "unit_conforms_to_a_revision_once": [(copy_of(conformity), {})],
    "conformity_has_a_reason": [(conformity, {"reason": ""})],
    "alias_is_not_empty": [(customers_serial, {"text": ""})],
    "label_replaced_for_a_reason": [(label, {"reason": ""})],
    "one_open_pass_per_unit": [(second_visit, {"inside": True, "outcome": ""})],
    "pass_runs_forward": [(visit, {"last": 0}), (visit, {"ended": 0})],
    "void_pass_drew_none": [(visit, {"outcome": "void"})],
    "pass_error_not_negative": [(visit, {"error": -1})],
    "pass_ends_with_an_outcome": [(visit, {"outcome": ""}), (visit, {"inside": True})],
    "child_in_one_parent": [(second_fitting, {"superseded": None})],
    "one_fitting_per_designator": [(fitting_at_the_same_place, {"until": None})],
    "fitted_child_level_below_parent": [(fitting, {"child_level": 2}), (fitting, {"child_level": 3})],
    "fitting_error_not_negative": [(fitting, {"error": -1})],
    "fault_recorded_once": [(copy_of(fault), {})],
    "unit_in_one_open_return": [(copy_of(returned), {"key": "RET-2"})],
    "return_has_a_complaint": [(returned, {"complaint": ""})],
    "return_runs_forward": [(closed_return, {"closed": 4})],
    "return_closed_by_a_disposition": [
        (returned, {"closed": 7}),
        *((closed_return, {name: None}) for name in ("closed", "closed_by", "disposition", "close_recorded")),
    ],
    "one_diagnosis_of_a_fault_stands": [(copy_of(diagnosis), {})],
    "repair_minutes_not_negative": [(repair, {"minutes": -1})],
    "replaced_part_has_a_designator": [(repair, {"action": "replaced"})],
    "disposition_has_a_reason": [(disposition, {"reason": ""})],
    "withdrawal_is_signed_and_reasoned": [
        (disposition, {"withdrawn": moment()}),
        (disposition, {"withdraw_reason": "x"}),
        (disposition, lambda d: {"withdrawn": moment(), "withdrawn_by": d.decided_by}),
    ],
    "salvage_error_not_negative": [(salvage, {"error": -1})],
    "fitting_runs_forward": [(fitting, {"until": 4})],
    "fitting_found_after_earliest": [(fitting, {"earliest": 6})],
    "fitting_doubted_before_its_end": [
        (fitting, {"doubted": 4}),
        (fitting, {"doubted": 7}),
        (lambda p: fitting(p, doubted=5), {"until": None}),
    ],
    "fitting_holds_one_thing": [
        (fitting, {"child": None}),
        (fitting, {"child_level": None}),
        (fitting, {"holds": "nothing"}),
        (fitting, {"holds": "unknown"}),
        (fitting, {"holds": "container"}),
        (fitting, {"holds": "feed"}),
        (fitting, {"holds": ""}),
        (lambda p: fitting(p, holds="nothing", child=None, child_level=None), {"child_level": 1}),
        (lambda p: fitting(p, holds="container", child=None, child_level=None, container=p.reel()), {"holds": "child"}),
        (
            lambda p: fitting(p, holds="container", child=None, child_level=None, container=p.reel()),
            {"container": None},
        ),
        (
            lambda p: fitting(p, holds="feed", child=None, child_level=None, feed=p.slot_r, first=1, last=2),
            {"first": None},
        ),
        (
            lambda p: fitting(p, holds="feed", child=None, child_level=None, feed=p.slot_r, first=1, last=2),
            {"last": None},
        ),
    ],
    "planned_inspection_number_once": [(copy_of(planned), {"name": "other"})],
    "planned_inspection_name_once": [(copy_of(planned), {"number": 2})],
    "planned_inspection_fits_its_manner": [
        (planned, {"aql": 1}),
        (planned, {"level": "II"}),
        (planned, {"pieces": 5}),
        (planned, {"manner": ""}),
        (planned_sample, {"aql": None}),
        (planned_sample, {"aql": 0}),
        (planned_sample, {"aql": 15}),
        (planned_sample, {"level": ""}),
        (planned_sample, {"pieces": 5}),
        (planned_sample, {"allowable": 5}),
        (planned_gauging, {"aql": 1}),
        (planned_gauging, {"level": "II"}),
        (planned_gauging, {"allowable": 5}),
        (planned_gauging, {"pieces": 0}),
        (planned_gauging, {"pieces": None}),
        (planned_gauging, {"equipment": ""}),
    ],
    "planned_inspection_measured_has_limits": [
        (planned, {"unit_of_measure": ""}),
        (planned, {"lower": None, "upper": None}),
        (planned_sample, {"upper": 2}),
        (planned_sample, {"unit_of_measure": "V"}),
        (planned_gauging, {"unit_of_measure": "", "lower": None, "upper": None}),
    ],
    "planned_inspection_limits_in_order": [(planned, {"lower": 2}), (planned, {"lower": 3})],
    "allowable_is_a_percentage": [(planned, {"allowable": 100}), (planned, {"allowable": -1})],
    "inspected_once_in_a_round": [(copy_of(inspection), {})],
    "rejected_are_of_the_inspected": [(inspection, {"inspected": 0})],
    "sample_decided_by_its_numbers": [
        (inspection, {"accepted": False}),
        (inspection, {"rejected": 2}),
        (inspection, {"accept": 2}),
        (inspection, {"accept": None}),
        (inspection, {"reject": None}),
        (inspection, {"manner": "every piece"}),
        (lambda p: inspection(p, manner="gauged", accept=None, reject=None), {"accept": 0}),
    ],
    "container_counted_once": [(copy_of(inspection_count), {})],
    "counted_rejects_of_the_inspected": [(inspection_count, {"rejected": 51})],
    "reading_number_once": [(copy_of(inspection_reading), {})],
    "lot_status_has_its_evidence": [(lot_status, {"evidence": ""})],
    "sampling_ruling_has_a_reason": [(ruling, {"reason": ""})],
    "unit_in_one_carton": [(packing, {"until": None})],
    "carrier_has_slots": [(rack, {"slots": 0})],
    "carrier_is_rack_or_panel": [
        (rack, {"kind": "panel"}),
        (panel, {"kind": "rack"}),
        (rack, {"parted": 2}),
        (rack, {"kind": "crate"}),
    ],
    "panel_parted_after_made": [(panel, {"parted": 0})],
    "unit_in_one_carrier": [(carried, {"until": None})],
    "one_unit_in_a_slot": [(in_the_same_slot, {"until": None})],
    "slots_from_one": [(carried, {"slot": 0})],
    "carried_runs_forward": [(carried, {"until": 4})],
    "batch_counts_add_up": [
        (batch_pass, {"quantity": 7}),
        (batch_pass, {"quantity": 0, "good": 0, "scrapped": 0, "reason": ""}),
        (batch_pass, {"good": -1, "scrapped": 7}),
        (batch_pass, {"good": 7, "scrapped": -1}),
    ],
    "batch_pass_runs_forward": [(batch_pass, {"ended": 0})],
    "batch_pass_error_not_negative": [(batch_pass, {"error": -1})],
    "batch_scrapped_for_a_reason": [(batch_pass, {"reason": ""})],
    "packing_runs_forward": [(packing, {"until": 4})],
    "carton_on_one_shipment": [(consignment, {"until": None})],
    "sample_rule_name_once": [(copy_of(sample_rule), {})],
    "sample_rule_demands_something": [(sample_rule, {"demand": 0})],
    "sample_rule_chooses_one_way": [
        (sample_rule, {"every": 0}),
        (sample_rule, {"every": None}),
        (sample_rule, {"level": "II"}),
        (sample_rule, {"chooses": "first"}),
        (sample_rule, {"chooses": "plan", "every": None, "level": "II"}),
    ],
    "sample_rule_days_positive": [(sample_rule, {"days": 0})],
    "sample_owed_once_by_a_unit": [(copy_of(sample), {})],
    "sample_demands_something": [(sample, {"demand": 0})],
    "sample_starts_once_owed": [
        (sample, {"owed": 3}),
        (sample, {"started": None, "ended": None, "ended_by": None, "end_recorded": None, "result": ""}),
        (sample, {"started_by": None}),
        (sample, {"start_recorded": None}),
    ],
    "sample_is_dropped_from_a_height": [(sample, {"mass": 1}), (sample, {"kind": "drops"})],
    "sample_ends_with_a_result": [
        (sample, {"result": ""}),
        (sample, {"ended": None}),
        (sample, {"ended_by": None}),
        (sample, {"end_recorded": None}),
        (sample_waived, {"ended": 0}),
    ],
    "sample_result_of_a_test_that_ran": [
        (sample, {"started": None, "started_by": None, "start_recorded": None}),
        (sample, {"ended": 1}),
    ],
    "sample_waived_under_a_deviation": [(sample_waived, {"deviation": None})],
    "sample_spared_for_a_reason": [(sample_waived, {"reason": ""})],
    "sample_done_not_negative": [(sample_entry, {"done": -1})],
    "consignment_runs_forward": [(consignment, {"until": 4})],
    "carton_closed_once": [(closing, {"until": None, "opened_by": None, "reason": "", "ended": None})],
    "closing_runs_forward": [(closing, {"until": 0})],
    "opening_is_signed_and_reasoned": [
        (closing, {"reason": ""}),
        (closing, {"opened_by": None}),
        (closing, {"ended": None}),
    ],
    "carton_on_one_pallet": [(stacking, {"until": None})],
    "stacking_runs_forward": [(stacking, {"until": 4})],
    **OF_CONTAINMENTS,
}
CONSTRAINTS = {
    constraint.name: (model, constraint)
    for model in apps.get_app_config("trace").get_models()
    if model.__module__.split(".")[1] in AREAS
    for constraint in model._meta.constraints
}


def test_every_constraint_is_broken_here_and_none_that_is_not_there() -> None:
    assert set(BREAKS) == set(CONSTRAINTS)


def rows() -> list[Any]:
    return [
        pytest.param(name, make, change, id=f"{name}-{number}" if number else name)
        for name, attempts in BREAKS.items()
        for number, (make, change) in enumerate(attempts)
    ]


@pytest.mark.django_db
@pytest.mark.parametrize(("name", "make", "change"), rows())
def test_a_constraint_refuses(name: str, make: Make, change: Any) -> None:
    model, constraint = CONSTRAINTS[name]
    row = make(Plant())
    assert isinstance(row, model)
    changes = change(row) if callable(change) else change
    unsaved = row.pk is None and bool(changes) and not isinstance(constraint, models.UniqueConstraint)
    if unsaved:
        with transaction.atomic():
            row.save()
            transaction.set_rollback(True)
        row.pk, row._state.adding = None, True
    for field, value in changes.items():
        setattr(row, field, value)
    with pytest.raises(IntegrityError) as error, transaction.atomic():
        row.save(force_insert=True)
    if connection.vendor == "sqlite" and isinstance(constraint, models.UniqueConstraint):
        columns = [f"{model._meta.db_table}.{model._meta.get_field(f).column}" for f in constraint.fields]
        # On the ledger the trigger that refuses to replace a row is asked before the index.
        assert "REPLACE refused" in str(error.value) or all(column in str(error.value) for column in columns)
    else:
        assert name in str(error.value)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("make", "change"),
    [
        (second_subject, {}),
        (second_token, {}),
        (second_badge, {}),
        (copy_of(answer), {"key": "2"}),
        (copy_of(lot), {"key": "L2", "date_code": "2602"}),
        (copy_of(lot), {"key": "L2", "delivery": 2}),
        (copy_of(inspection), {"round": 2}),
        (copy_of(lambda p: inspection(p, manner="sorted", accept=None, reject=None)), {}),
        (lambda p: Supplier(key="X", name="X"), {}),
        (copy_of(attachment), {"key": "FILE-2", "target_key": "M"}),
        (copy_of(signature), {"meaning": "reviewed"}),
        (skip, {}),
        (copy_of(fault), {"superseded": 5}),
        (copy_of(fault), {"found": 6}),
        (copy_of(diagnosis), {"superseded": 5}),
        (copy_of(returned), {"key": "RET-2", "superseded": 9}),
        (copy_of(closed_return), {"key": "RET-2"}),
        (copy_of(reading), {"attempt": 2}),
        (copy_of(reading), lambda r: {"attempt": 2, "value": None, "judge": r.by}),
        (first_piece, {"approved": True, "reason": ""}),
        (setup, {}),
        (copy_of(setup), {"key": "S3", "end": OPEN - 1}),
        (line, {}),
        (second_visit, {}),
        (second_visit, {"inside": True, "outcome": "", "superseded": 5}),
        (second_fitting, {}),
        (fitting_at_the_same_place, {}),
        (packing, {}),
        (carried, {}),
        (carried, {"until": None, "superseded": 5}),
        (in_the_same_slot, {}),
        (consignment, {}),
        (sample_rule, {}),
        (sample, {}),
        (sample_waived, {}),
        (sample_entry, {}),
        (closing, {}),
        (stacking, {}),
        (copy_of(tape_stop), {"until": 2}),
        (copy_of(empty_place), {"board_set": 2}),
        (copy_of(conformity), {"superseded": 5}),
        (second_label, {}),
        (copy_of(customers_serial), {"kind": "supplier"}),
        (copy_of(customers_serial), {"superseded": 5}),
        (second_mount, {}),
        (mount_beside, {}),
    ],
)
def test_what_a_unique_constraint_should_let_in(make: Make, change: Any) -> None:
    row = make(Plant())
    for field, value in (change(row) if callable(change) else change).items():
        setattr(row, field, value)
    row.save(force_insert=True)
