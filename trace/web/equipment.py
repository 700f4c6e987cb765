"""Equipment as pages show it: what is due, and what was done with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.urls import reverse

from trace.approvals.models import Attachment
from trace.engineering.equipment import Calibration, Equipment
from trace.engineering.fitness import Fitness, WrongCall, judge_fitness, list_wrong_calls
from trace.engineering.models import Step
from trace.web.cells import Link, Mark, Moment, Ref, Several
from trace.web.tables import Column, Table

NONE = "No equipment is on record. A planner defines it, its check pieces and programs under “Master data”."


SOON = timedelta(days=7)
"""How long before its calibration runs out equipment is named to those who have it calibrated."""


@dataclass(frozen=True)
class Due:
    """A piece of equipment, how fit it is, and the check pieces that it called wrongly when they were last run."""

    it: Equipment
    fitness: Fitness
    wrong: Sequence[WrongCall]

    @property
    def state(self) -> str:
        """In a word."""
        if self.it.retired:
            return "retired"
        return "fit" if self.fitness.fit else "not fit"

    @property
    def unchecked(self) -> tuple[str, ...]:
        """The check pieces that wait to be run in this shift, those apart that it called wrongly."""
        failed = {call.check.piece.key for call in self.wrong}
        return tuple(key for key in self.fitness.owed if key not in failed)

    @property
    def owes(self) -> bool:
        """Whether somebody has to run check pieces where it stands."""
        return bool(self.unchecked and self.it.station)

    @property
    def wanting(self) -> Several:
        """What is wrong with it, what is to be done: calibrated, checked."""
        failed = tuple(f"it failed check piece {call.check.piece.key} and must not be used" for call in self.wrong)
        calibrate = (f"it {self.fitness.calibration}",) if self.fitness.calibration else ()
        owed = (f"to be checked in this shift: {', '.join(self.unchecked)}",) if self.unchecked else ()
        return Several((*failed, *calibrate, *owed), "; ")

    @property
    def urgency(self) -> tuple[bool, bool, bool, date]:
        """What is due first comes first."""
        return self.state != "not fit", not self.wrong, not self.fitness.calibration, self.fitness.due or date.max

    def soon(self, day: date) -> bool:
        """Whether its calibration still holds on a day, and runs out within a week."""
        due = self.fitness.due
        return not self.fitness.calibration and due is not None and due <= day + SOON


def judge_due(equipment: Sequence[Equipment], at: datetime) -> list[Due]:
    """Each of these with what is due at a moment."""
    fitness, wrong = judge_fitness(equipment, at), list_wrong_calls(equipment, at)
    return [Due(one, fitness[one.pk], wrong[one.pk]) for one in equipment]


def list_due(at: datetime) -> list[Due]:
    """All equipment in use, what is due first."""
    every = list(Equipment.objects.filter(retired=None).select_related("station"))
    return sorted(judge_due(every, at), key=lambda due: (due.urgency, due.it.key))


def list_stopped(it: Equipment) -> list[Step]:
    """The steps that nothing else does where equipment stands: they stop once it is gone from there."""
    others = Equipment.objects.filter(station=it.station, kind=it.kind, retired=None).exclude(pk=it.pk)
    if it.station is None or others.exists():
        return []
    steps = Step.objects.filter(equipment_kind=it.kind, stations=it.station, part__retired=None)
    return list(steps.select_related("part").order_by("part__key", "number"))


def equipment_table(
    rows: Sequence[Due], title: str = "Equipment", empty: str = NONE, *, name: str = "equipment"
) -> Table:
    """Equipment, and what is due."""
    return Table(
        name,
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
    """Every calibration. A certificate that was attached is a link, by the file's name; the rest is of paper."""
    named = it.calibrations.values("certificate")
    files = {
        file.key: Link(file.name, reverse("attachment", args=[file.key]))
        for file in Attachment.objects.filter(key__in=named)
    }

    def certificate(calibration: Calibration) -> Link | str:
        return files.get(calibration.certificate, calibration.certificate)

    return Table(
        "calibrations",
        "Calibrations",
        [
            Column("at", "When", lambda c: Moment.of(c.at), "at"),
            Column("passed", "Result", lambda c: "passed" if c.passed else "failed", "passed"),
            Column("due", "Holds up to", lambda c: c.due or "", "due"),
            Column("certificate", "Certificate", certificate),
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
