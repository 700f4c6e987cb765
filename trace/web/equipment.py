"""Equipment as pages show it: what is due, and what was done with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from trace.engineering.equipment import Equipment
from trace.engineering.fitness import Fitness, judge_fitness
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.tables import Column, Table

NONE = "No equipment is on record. A planner defines it, its check pieces and programs under “Master data”."


@dataclass(frozen=True)
class Due:
    """A piece of equipment and how fit it is."""

    it: Equipment
    fitness: Fitness

    @property
    def state(self) -> str:
        """In a word."""
        if self.it.retired:
            return "retired"
        return "fit" if self.fitness.fit else "not fit"

    @property
    def wanting(self) -> Several:
        """What is to be done: calibrated, checked."""
        calibrate = (f"it {self.fitness.calibration}",) if self.fitness.calibration else ()
        owed = (f"to be checked in this shift: {', '.join(self.fitness.owed)}",) if self.fitness.owed else ()
        return Several((*calibrate, *owed), "; ")

    @property
    def urgency(self) -> tuple[bool, bool, date]:
        """What is due first comes first."""
        return self.state != "not fit", not self.fitness.calibration, self.fitness.due or date.max


def list_due(at: datetime) -> list[Due]:
    """All equipment in use, what is due first."""
    every = list(Equipment.objects.filter(retired=None).select_related("station"))
    fitness: Mapping[int, Fitness] = judge_fitness(every, at)
    return sorted((Due(one, fitness[one.pk]) for one in every), key=lambda due: (due.urgency, due.it.key))


def equipment_table(rows: Sequence[Due], title: str = "Equipment", empty: str = NONE) -> Table:
    """Equipment, and what is due."""
    return Table(
        "equipment",
        title,
        [
            Column("equipment", "Equipment", lambda d: Ref("equipment", d.it.key, d.it.name)),
            Column("state", "State", lambda d: Mark(d.state), choose=True),
            Column("wanting", "To be done", lambda d: d.wanting),
            Column("due", "Calibrated up to", lambda d: d.fitness.due or ""),
            Column("kind", "Kind", lambda d: d.it.kind, choose=True),
            Column(
                "station", "Stands at", lambda d: Ref("station", d.it.station.key) if d.it.station else "", choose=True
            ),
            Column("program", "Program on it", lambda d: d.fitness.program or ""),
        ],
        rows,
        empty,
    )


def calibrations_table(it: Equipment) -> Table:
    """Every calibration."""
    return Table(
        "calibrations",
        "Calibrations",
        [
            Column("at", "When", lambda c: Moment.of(c.at), "at"),
            Column("passed", "Result", lambda c: "passed" if c.passed else "failed", "passed"),
            Column("due", "Holds up to", lambda c: c.due or "", "due"),
            Column("certificate", "Certificate", lambda c: Ref("attachment", c.certificate) if c.certificate else ""),
            Column("by", "By", lambda c: Ref("person", c.by.key, c.by.name), "by__key"),
        ],
        it.calibrations.select_related("by"),
        "It was never calibrated, by what is on record.",
        search=("by__name", "certificate"),
    )


def checks_table(it: Equipment) -> Table:
    """Every check piece that was run on it."""
    return Table(
        "checks",
        "Check pieces run on it",
        [
            Column("at", "When", lambda c: Moment.of(c.at), "at"),
            Column("piece", "Piece", lambda c: f"{c.piece.key} {c.piece.name}", "piece__key"),
            Column("known", "Known", lambda c: "good" if c.piece.good else "bad", "piece__good"),
            Column("said", "It said", lambda c: "good" if c.said_good else "bad", "said_good"),
            Column("right", "Right?", lambda c: Mark("right" if c.right else "wrong")),
            Column("by", "By", lambda c: Ref("person", c.by.key, c.by.name), "by__key"),
        ],
        it.checks.select_related("piece", "by"),
        "No check piece was run on it yet.",
        search=("piece__key", "by__name"),
    )


def loads_table(it: Equipment) -> Table:
    """Every program that was loaded."""
    return Table(
        "programs",
        "Programs loaded",
        [
            Column("since", "From", lambda load: Moment.of(load.since), "since"),
            Column("program", "Program", lambda load: load.program.key, "program__key"),
            Column("name", "Name", lambda load: load.program.name, "program__name"),
            Column("revision", "Revision", lambda load: load.program.revision, "program__revision"),
            Column("by", "By", lambda load: Ref("person", load.by.key, load.by.name), "by__key"),
        ],
        it.loads.select_related("program", "by"),
        "No program was loaded on it, by what is on record.",
        search=("program__key", "program__name"),
    )
