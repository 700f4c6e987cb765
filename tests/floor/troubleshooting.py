"""Boards that fail, and what is done about them, as they stand in tests."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from tests.approvals.signing import quality, sign_as
from tests.factories import Plant, make_station
from trace.engineering.models import CauseCode, FaultCode, Station, Step
from trace.engineering.operations import define_cause_code, define_fault_code
from trace.floor.models import Diagnosis, Fault, Pass, Repair, Unit
from trace.floor.operations.faults import diagnose_fault, record_fault, record_repair, void_fault
from trace.floor.operations.feeds import load_feed
from trace.holds.models import Disposition
from trace.holds.operations import decide_disposition


class Trouble:
    """The tiny plant with a repair station, two fault codes, two cause codes, and reels on its feeds."""

    def __init__(self, plant: Plant | None = None) -> None:
        self.plant = plant = plant or Plant()
        self.repair: Station = make_station("RP1", repairs=True)
        self.bridge: FaultCode = plant.do(define_fault_code, key="BRIDGE", name="solder bridge")
        self.drift: FaultCode = plant.do(define_fault_code, key="DRIFT", name="value out of limits")
        self.wave: CauseCode = plant.do(define_cause_code, key="WAVE", name="wave too slow")
        self.part: CauseCode = plant.do(define_cause_code, key="PART", name="part out of its limits")
        self.reel = plant.reel("REEL", quantity=Decimal(100))
        self.caps = plant.reel("CAPS", plant.capacitor, quantity=Decimal(100))
        self.spare = plant.reel("SPARE", quantity=Decimal(10))
        plant.do(load_feed, 1, feed=plant.slot_r, container=self.reel)
        plant.do(load_feed, 1, feed=plant.slot_c, container=self.caps)
        self.insert = Step.objects.get(part=plant.board, number=10)
        self.test = Step.objects.get(part=plant.board, number=20)

    def failed(self, minute: float = 10) -> Unit:
        """A board that was built, and failed its test."""
        (board,) = self.plant.boards(1, minute=minute)
        self.plant.run(board, self.plant.insertion, minute, minute + 1)
        self.fail(board, minute + 2)
        return board

    def fail(self, board: Unit, minute: float) -> Pass:
        return self.plant.run(board, self.plant.test, minute, minute + 1, outcome="failed")

    def find(self, board: Unit, minute: float = 20, **told: Any) -> Fault:
        return self.plant.do(record_fault, minute, **{"unit": board, "fault_code": self.bridge, **told})

    def diagnose(self, fault: Fault, minute: float = 22, **told: Any) -> Diagnosis:
        return self.plant.do(diagnose_fault, minute, **{"fault": fault, "cause": self.wave, **told})

    def mend(self, fault: Fault, minute: float = 25, **told: Any) -> Repair:
        told = {"unit": fault.unit, "faults": [fault], "action": "resoldered", "station": self.repair, **told}
        return self.plant.do(record_repair, minute, **told)

    def decide(self, board: Unit, minute: float, decision: str = "rework", *, approved: bool = True) -> Disposition:
        told = {"key": f"D-{board.key}-{minute:g}", "reason": "reviewed", "decision": decision, "subject": board}
        it: Disposition = self.plant.do(decide_disposition, minute, **told)
        if approved:
            sign_as(quality(), it, minute)
        return it


def stopped_by(refusal: Any) -> list[str]:
    """The rules of the interlock that a refusal names."""
    return [rule for rule, *_ in refusal.extra["refusals"]]


def build_log() -> Trouble:
    """Eight boards are built and tested, and three of them fail; five faults in these on the first day, one of them
    voided; two days later one more."""
    trouble = Trouble()
    plant = trouble.plant
    boards = [trouble.failed(10 + 10 * n) for n in range(3)]
    for n, good in enumerate(plant.boards(5, minute=50)):
        plant.run(good, plant.insertion, 50 + 5 * n, 51 + 5 * n)
        plant.run(good, plant.test, 52 + 5 * n, 53 + 5 * n)
    for minute, board, name in ((100, boards[0], "R1"), (101, boards[0], "R2"), (102, boards[1], "R1")):
        fault = trouble.find(board, minute, designator=name)
    trouble.diagnose(fault, 110)
    drifted = trouble.find(boards[2], 103, fault_code=trouble.drift, designator="C1")
    trouble.diagnose(drifted, 111, cause=trouble.part)
    plant.do(void_fault, 112, fault=trouble.find(boards[2], 104), reason="another board")
    trouble.find(boards[0], 2 * 24 * 60, fault_code=trouble.drift)
    return trouble
