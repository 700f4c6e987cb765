"""A tape being built in a tiny plant, for tests."""

from __future__ import annotations

from tests.factories import Plant, moment
from tests.refusals import refused
from trace.floor.operations.mounting import mount_tape, take_off_tape
from trace.floor.operations.passes import record_passes
from trace.floor.operations.tapes import (
    load_head,
    record_pitch,
    resume_tape,
    stop_tape,
)
from trace.floor.tapes import read_building
from trace.material.models import Feed, SetUp, Tape
from trace.material.operations.setups import abort_tape, finish_tape, start_tape

SEQUENCE = ["R1", "C1", "R2"]
HEADS = {"A": (0, ["R1", "R2"]), "B": (6, ["C1"])}
"""Head B stands two board sets up the chain."""


class Sequencer:
    """A plant, and a tape of 20 board sets being built, its heads loaded unless told otherwise."""

    def __init__(self, *, load: bool = True, run: bool = False) -> None:
        self.plant = Plant()
        self.tape: Tape = self.plant.do(
            start_tape, 0, key="T1", assembly=self.plant.board, sequence=SEQUENCE, heads=HEADS, board_sets=20
        )
        self.a, self.b = Feed.objects.get(key="T1-A"), Feed.objects.get(key="T1-B")
        self.resistors = self.plant.reel("RA", quantity=500)
        self.capacitors = self.plant.reel("CA", self.plant.capacitor, quantity=60)
        if load:
            self.do(load_head, 1, feed=self.a, container=self.resistors)
            self.do(load_head, 1, feed=self.b, container=self.capacitors)
        if run:
            self.do(resume_tape, 2)

    def do(self, operation, minute: float, **told):
        return self.plant.do(operation, minute, **self._with_tape(operation, told))

    def refused(self, code: str, operation, minute: float = 50, **told):
        return refused(self.plant, code, operation, minute, **self._with_tape(operation, told))

    def _with_tape(self, operation, told):
        of_tape = {stop_tape, resume_tape, record_pitch, finish_tape, abort_tape, mount_tape, take_off_tape}
        return {"tape": self.tape, **told} if operation in of_tape else told

    @property
    def state(self) -> str:
        return read_building(Tape.objects.get(pk=self.tape.pk)).state

    def finish(self, minute: float = 30, board_sets: int = 20) -> Tape:
        self.tape = self.do(finish_tape, minute, board_sets=board_sets)
        return self.tape


def draw(it: Sequencer, board_set: int, minute: float) -> str:
    (board,) = it.plant.boards(1)
    told = {"positions": [(board_set, board_set)], "setup": SetUp.objects.get(axis__tape=it.tape)}
    it.plant.do(record_passes, minute, units=[board], station=it.plant.insertion, entered=moment(minute), **told)
    return board.key
