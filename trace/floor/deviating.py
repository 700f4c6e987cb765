"""What a deviation lets by at a station. For use inside operations, after the locks on units."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import NamedTuple

from django.db.models import F

from trace.approvals.models import Deviation
from trace.approvals.queries import lock_deviations
from trace.approvals.rules import covers
from trace.core.models import Person
from trace.floor.models import Skip, Unit
from trace.floor.route import RouteStep, list_due
from trace.floor.rules import (
    DEVIABLE,
    NOT_DUE,
    NOT_RELEASED,
    READING_UNFIT,
    Facts,
    Stopped,
    judge,
)
from trace.holds.rules import Move
from trace.ledger.operation import note


class Deviated(NamedTuple):
    """A unit that a deviation let by: what would have stopped it; the step that it skips, where that is due."""

    unit: Unit
    deviation: Deviation
    refusal: Stopped
    skipped: RouteStep | None


@dataclass
class Permits:
    """The deviations in force throughout the time in which something was done, read where something stops a unit.
    A unit counts once, whatever of a deviation it makes use of."""

    since: datetime
    until: datetime
    moves: Collection[Move] = (Move.START,)
    users: dict[int, set[int]] = field(default_factory=dict)

    @cached_property
    def _found(self) -> list[Deviation]:
        return lock_deviations(DEVIABLE, self.since, self.until)

    def settle(
        self, unit: Unit, route: Sequence[RouteStep], done: set[int], look: Callable[[Sequence[RouteStep]], Facts]
    ) -> tuple[RouteStep | None, list[Stopped], list[Deviated]]:
        """(the step that is due, what stops the unit there, what it is let by): either the second or the third is
        empty. `done` are the steps of its route that it has passed or skipped, `look` gives the facts where one of
        some steps is next."""
        deviated = list[Deviated]()
        choices = list_due(route, done)
        facts = look(choices)
        due, stopped = facts.due, judge(facts, self.moves)
        first = stopped
        while (skip := _not_due(stopped)) and _is_ahead(facts.station, route, done):
            covered = next(((one, step) for step in choices if (one := self._find(skip, unit, facts, step))), None)
            if covered is None:
                break
            deviation, step = covered
            deviated.append(Deviated(unit, deviation, skip, step))
            done = done | {step.pk}
            choices = list_due(route, done)
            facts = look(choices)
            stopped = judge(facts, self.moves)
        let_by = [] if skip in stopped else self.let_by(unit, facts, stopped)
        if len(let_by) < len(stopped):
            self._take_back(unit)
            return due, first, []
        return facts.due, [], [*deviated, *let_by]

    def let_by(self, unit: Unit, facts: Facts, stopped: Sequence[Stopped]) -> list[Deviated]:
        """What lets a unit by all that stops it; nothing where not all of it is covered."""
        found = [(refusal, self._find(refusal, unit, facts, facts.due)) for refusal in stopped]
        deviated = [Deviated(unit, one, refusal, None) for refusal, one in found if one]
        if len(deviated) == len(stopped):
            return deviated
        self._take_back(unit)
        return []

    def _take_back(self, unit: Unit) -> None:
        for users in self.users.values():
            users.discard(unit.pk)

    def _find(self, refusal: Stopped, unit: Unit, facts: Facts, step: RouteStep | None) -> Deviation | None:
        """The first deviation that covers a refusal, with this step due, and has a use left, which this unit then
        has."""
        rule = refusal.extra["rule"]
        if rule not in DEVIABLE:
            return None
        about = _about(unit, facts, step, rule)
        for deviation in self._found:
            users = self.users.setdefault(deviation.pk, set())
            left = deviation.used + len(users | {unit.pk}) <= deviation.most
            if rule in deviation.rules and left and covers(deviation.scope, about):
                users.add(unit.pk)
                return deviation
        return None


def _not_due(stopped: Sequence[Stopped]) -> Stopped | None:
    return next((refusal for refusal in stopped if refusal.extra["rule"] == NOT_DUE), None)


def _is_ahead(station: str, route: Sequence[RouteStep], done: set[int]) -> bool:
    return any(station in step.stations for step in route if step.pk not in done)


def _about(unit: Unit, facts: Facts, step: RouteStep | None, rule: str) -> Mapping[str, set[str]]:
    if rule == NOT_RELEASED:
        return about_lots(((key, part) for key, part, _ in facts.unreleased), facts.station)
    used = {key for key, _ in facts.unfit} if rule == READING_UNFIT else {facts.doing.key}
    return {
        "part": {unit.part.key},
        "step": {str(step.number)} if step else set(),
        "station": {facts.station},
        "unit": {unit.key},
        "lot": set(facts.expired),
        "equipment": used - {""},
    }


def about_lots(lots: Iterable[tuple[str, str]], station: str) -> Mapping[str, set[str]]:
    """What the use of lots, (key, part) each, at a station, if at one, is about: for `covers`."""
    keys, parts = map(set, zip(*lots, strict=True))
    return {"lot": keys, "part": parts, "station": {station} - {""}}


def record_deviated(deviated: Sequence[Deviated], scan: int, by: Person, recorded: int) -> None:
    """Count the uses, keep the skips, and say in the event which deviation let what by."""
    if not deviated:
        return
    users = {(one.deviation.pk, one.unit.pk) for one in deviated}
    for pk, uses in sorted(Counter(pk for pk, _ in users).items()):
        Deviation.objects.filter(pk=pk).update(used=F("used") + uses)
    Skip.objects.bulk_create(
        Skip(unit=one.unit, step_id=one.skipped.pk, deviation=one.deviation, at=scan, by=by, recorded=recorded)
        for one in deviated
        if one.skipped
    )
    told: dict[str, list[list[str]]] = {}
    for one in deviated:
        told.setdefault(one.unit.key, []).append(
            [one.refusal.extra["rule"], one.deviation.key, one.refusal.message.removeprefix("Stop. ")]
        )
    note(*(one.deviation for one in deviated), deviated=told)
