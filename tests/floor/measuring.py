"""A station at which boards are measured and judged."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from tests.factories import Plant
from tests.refusals import refused
from trace.engineering.equipment import Equipment
from trace.engineering.models import Characteristic, ScanMode, Step
from trace.engineering.operations import define_equipment, record_calibration
from trace.floor.models import Pass, Reading, Unit
from trace.floor.operations.passes import finish_pass, start_pass
from trace.floor.operations.readings import UnitReadings, record_readings, record_test

GOOD = {"Ripple": "12.5 mV", "Gloss": "good"}
STEP = 20


class Bench:
    """The tiny plant whose boards are measured and judged at their test: ripple up to 20 mV, gloss by the inspector;
    `ask` asks for more."""

    def __init__(self, mode: str = ScanMode.GATED, **step: Any) -> None:
        self.plant = plant = Plant()
        plant.test.scan_mode = mode
        plant.test.save()
        self.step = Step.objects.get(part=plant.board, number=STEP)
        Step.objects.filter(pk=self.step.pk).update(**step)
        self.ripple = self.ask(1, "Ripple", unit_of_measure="mV", target=Decimal(5), upper=Decimal(20))
        self.gloss = self.ask(2, "Gloss", judge="inspector")

    def ask(self, number: int, name: str, step: int = STEP, **limits: Any) -> Characteristic:
        told = {"part": self.plant.board, "step_number": step, "number": number, "name": name, **limits}
        return Characteristic.objects.create(**told)

    def board(self, minute: float = 2) -> Unit:
        """One that is due at the test."""
        (board,) = self.plant.boards(1, minute=minute)
        self.plant.run(board, self.plant.insertion, minute, minute + 1)
        return board

    def into(self, unit: Unit, minute: float = 10, **more: Any) -> Pass:
        return self.plant.do(start_pass, minute, unit=unit, station=self.plant.test, **more)

    def out(self, unit: Unit, minute: float = 20, **more: Any) -> Pass:
        return self.plant.do(finish_pass, minute, unit=unit, **more)

    def read(self, unit: Unit, minute: float = 15, told: Any = None, **more: Any) -> list[Reading]:
        arguments = {"unit": unit, "readings": told or GOOD, "station": self.plant.test, **more}
        return self.plant.do(record_readings, minute, **arguments)

    def kept_in(self, unit: Unit, minute: float = 20, **more: Any) -> list[str]:
        """The rules that do not let the unit out as passed."""
        refusal = refused(self.plant, "stopped", finish_pass, minute, unit=unit, **more)
        assert all(message and action for _, message, action in refusal.extra["refusals"])
        return [code for code, _, _ in refusal.extra["refusals"]]

    def tester(self, key: str = "HV-1", *, calibrated: bool = True) -> Equipment:
        told = {"name": "Tester", "kind": "tester", "station": self.plant.test, "calibrate_every": 30}
        tester = self.plant.do(define_equipment, key=key, **told)
        Step.objects.filter(pk=self.step.pk).update(equipment_kind="tester")
        if calibrated:
            self.plant.do(record_calibration, 1, equipment=tester, passed=True, due=date(2026, 3, 10))
        return tester

    def test(self, results: list[tuple[Unit, Any]], minute: float = 20, **more: Any) -> list[Any]:
        told = [UnitReadings(unit, readings) for unit, readings in results]
        return self.plant.do(record_test, minute, results=told, station=self.plant.test, **more)
