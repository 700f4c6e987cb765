"""Whether set-ups are verified and their first pieces approved, as of a moment.

Nothing of it is kept beside what was recorded at the feeds: a set-up is verified while each of its feeds was seen since
it last changed. So a load, a clearing, something found there, a new set-up undo it by themselves, and a record that
comes late counts from when it happened.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from operator import itemgetter
from typing import Any, NamedTuple

from django.db.models import Q

from trace.core.clock import OPEN
from trace.core.sql import fetch
from trace.engineering.models import Station, Step
from trace.floor.models import FirstPiece, Pass, Unit
from trace.floor.route import RouteStep
from trace.material.models import Axis, SetUp

LAST_FEW = 1000
"""How many of a station's latest passes are looked at for a first piece."""


@dataclass(frozen=True)
class Seen:
    """When what is on a feed was seen last, since it last changed and the set-up began: by anybody, and by another
    person than who changed it and who started the set-up."""

    feed: int
    key: str
    by_anybody: int | None
    by_another: int | None

    def when(self, verification: str) -> int | None:
        """When it was verified, as a step asks for it."""
        return self.by_another if verification == Step.Verification.ANOTHER else self.by_anybody


class Decision(NamedTuple):
    """When a first piece was decided on, and whether it was approved."""

    happened: int
    approved: bool


def list_seen(setups: Collection[SetUp], at: int) -> dict[int, list[Seen]]:
    """What was seen of the feeds of stations' set-ups, by set-up, in one statement."""
    these = [setup.pk for setup in setups]
    return read_seen(fetch(__file__, "seen", {"verified": "= ANY(%(setups)s)"}, setups=these, scan=at))


def read_seen(rows: Iterable[Sequence[Any]]) -> dict[int, list[Seen]]:
    """The same of the rows of `seen.sql`."""
    found: dict[int, list[Seen]] = defaultdict(list)
    for setup, *seen in sorted(rows, key=itemgetter(2)):
        found[setup].append(Seen(*seen))
    return found


def list_decisions(setups: Collection[SetUp], at: int) -> dict[tuple[int, int], FirstPiece]:
    """What was decided last of first pieces, by set-up and step."""
    these = [setup.pk for setup in setups]
    rows = fetch(__file__, "decided", {"begun": "= ANY(%(setups)s)"}, setups=these, scan=at)
    decided = FirstPiece.objects.filter(pk__in=[pk for pk, *_ in rows]).select_related("unit", "by", "step")
    return {(one.setup_id, one.step_id): one for one in decided.order_by("happened", "id")}


def read_decisions(rows: Iterable[Sequence[Any]]) -> dict[tuple[int, int], Decision]:
    """The same of the rows of `decided.sql`, without who decided."""
    in_order = sorted((happened, pk, setup, step, bool(good)) for pk, setup, step, happened, good in rows)
    return {(setup, step): Decision(happened, good) for happened, _, setup, step, good in in_order}


def find_first(
    setups: Collection[SetUp], station: Station, decided: Mapping[tuple[int, int], FirstPiece | Decision], at: int
) -> dict[tuple[int, int], Unit]:
    """The unit that went first since each set-up began, or since its first piece was rejected, by set-up and step."""
    latest = Pass.objects.filter(station=station, began__lte=at, superseded=None).exclude(outcome=Pass.Outcome.VOID)
    since = min((setup.started for setup in setups), default=at)
    rows = Pass.objects.filter(pk__in=latest.order_by("-began", "-id").values("pk")[:LAST_FEW])
    rows = rows.filter(Q(scanned_in__gte=since) | Q(scanned_out__gte=since)).select_related("unit")
    named = {(setup.axis_id, setup.assembly_id): setup for setup in setups}
    first: dict[tuple[int, int], tuple[int, int, Unit]] = {}
    for entry in rows:
        scan = entry.scanned_in if entry.scanned_in is not None else entry.scanned_out
        setup = named.get((entry.axis_id or 0, entry.assembly_id))
        if setup is None or scan is None or scan > at:
            continue
        key = setup.pk, entry.step_id
        begun = max(setup.started, decided[key].happened + 1 if key in decided else 0)
        if scan >= begun and (key not in first or (scan, entry.pk) < first[key][:2]):
            first[key] = scan, entry.pk, entry.unit
    return {key: unit for key, (*_, unit) in first.items()}


def find_in_force(station: Station, part: int, at: int) -> dict[int, SetUp]:
    """The set-up that served a part, by its id, at a station at a moment, by that part: of a machine that counts, the
    one that serves it now."""
    served = Q(axis__kind=Axis.Kind.CLOCK, first__lte=at, end__gt=at) | Q(axis__kind=Axis.Kind.COUNT, end=OPEN)
    found = SetUp.objects.filter(served, axis__station=station, assembly=part).select_related("axis")
    return {one.assembly_id: one for one in found}


@dataclass
class SetUpsHere:
    """What keeps units from a station because of the set-ups that serve their parts there (`setups`, by part), as of a
    scan: what was `seen` of their feeds and `decided` of their first pieces up to then. Which unit went first is read
    where that matters, once, whatever the number of units."""

    station: Station
    setups: Mapping[int, SetUp]
    scan: int
    seen: Mapping[int, list[Seen]]
    decided: Mapping[tuple[int, int], Decision] = field(default_factory=dict)
    _first_here: dict[tuple[int, int], Unit] = field(default_factory=dict)

    @cached_property
    def _first(self) -> dict[tuple[int, int], Unit]:
        return find_first(self.setups.values(), self.station, self.decided, self.scan)

    def stays(self, unit: Unit) -> None:
        """It does not go in: it is no first piece."""
        self._first_here = {key: first for key, first in self._first_here.items() if first != unit}

    def look_at(self, part: int, step: RouteStep) -> dict[str, Any]:
        """The facts of whatever of a part, by its id, has a step next here: whether its set-up is verified."""
        setup = self.setups.get(part)
        if setup is None:
            return {"set_up_owed": bool(step.verification) or step.first_piece}
        if not step.verification or setup.axis.kind == Axis.Kind.TAPE:
            return {}
        seen = self.seen.get(setup.pk, ())
        return {
            "not_seen": tuple(one.key for one in seen if one.when(step.verification) is None),
            "by_another": step.verification == Step.Verification.ANOTHER,
        }

    def find(self, unit: Unit, step: RouteStep | None) -> dict[str, Any]:
        """The facts of a unit whose step is next here; of a rack the first unit is the first piece."""
        if step is None:
            return {}
        facts = self.look_at(unit.part_id, step)
        setup = self.setups.get(unit.part_id)
        if step.first_piece and setup:
            key = setup.pk, step.pk
            decision = self.decided.get(key)
            if decision is None or not decision.approved:
                first = self._first.get(key) or self._first_here.setdefault(key, unit)
                facts["first_piece"] = "" if first == unit else first.key
        return facts
