"""With which equipment a step is done at a station, and whether that is fit, as of a scan."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from trace.engineering.equipment import Equipment
from trace.engineering.fitness import Fitness, judge_fitness
from trace.engineering.models import Station
from trace.floor.facts import Doing
from trace.floor.route import RouteStep


@dataclass
class EquipmentHere:
    """The equipment of a station (as it stands there now) at a moment; `named` is what the operator said. Nothing is
    read until a step needs equipment."""

    station: Station
    named: Equipment | None
    at: datetime

    @cached_property
    def _here(self) -> list[Equipment]:
        if self.named:
            return list(Equipment.objects.filter(pk=self.named.pk))
        return [one for one in Equipment.objects.filter(station=self.station) if self._in_use(one)]

    @cached_property
    def _fitness(self) -> dict[int, Fitness]:
        return judge_fitness(self._here, self.at)

    def _in_use(self, one: Equipment) -> bool:
        return one.retired is None or one.retired > self.at

    def find(self, step: RouteStep | None) -> Doing:
        """The facts of what a step is done with; empty where it needs nothing."""
        if step is None or not step.equipment:
            return Doing()
        if self.named and (wrong := self._wrong(self._here[0], step)):
            return Doing(unknown=wrong)
        found = [one for one in self._here if one.kind == step.equipment]
        if len(found) != 1:
            several = f"{len(found)} stand here: {', '.join(one.key for one in found)}"
            return Doing(
                unknown=f"Step {step.number} needs a {step.equipment}, and {several if found else 'none stands here'}."
            )
        return self._judge(found[0], step)

    def find_used(self, step: RouteStep) -> Doing:
        """With what something was read: as `find` has it; where the step needs nothing, what the operator named."""
        return self._judge(self._here[0], step) if self.named and not step.equipment else self.find(step)

    def _judge(self, one: Equipment, step: RouteStep) -> Doing:
        fitness = self._fitness[one.pk]
        on_it = fitness.program.key if fitness.program else "no program on record"
        return Doing(
            one.pk,
            one.key,
            calibration=fitness.calibration,
            owed=fitness.owed,
            program="" if step.program in ("", on_it) else f"has {on_it}, and step {step.number} needs {step.program}",
            loaded=fitness.program.pk if fitness.program else None,
        )

    def _wrong(self, one: Equipment, step: RouteStep) -> str:
        if one.kind != step.equipment:
            return f"{one.key} is a {one.kind}, and step {step.number} needs a {step.equipment}."
        if one.station_id != self.station.pk:
            return f"{one.key} does not stand at {self.station.key} on record."
        return "" if self._in_use(one) else f"{one.key} is retired."
