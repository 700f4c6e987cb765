"""The running log: what was found wrong in a period, counted by station, fault, cause, designator or product. Reads
only."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from functools import cached_property

from django.db.models import Count, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from trace.core.clock import DAY, OPEN, to_ticks
from trace.core.errors import Kind, Refusal
from trace.engineering.models import CauseCode, FaultCode, Part, Station
from trace.engineering.queries import get_calendar
from trace.floor.models import Diagnosis, Fault, Pass
from trace.genealogy.places import Drawn, Fitted, list_places
from trace.material.models import Container, Lot
from trace.quality.periods import CHOICES as PERIODS
from trace.quality.periods import Period, read_asked

LOOKED_AT = timedelta(days=29)
"""Without a period: so many days up to that of the last fault, and that day."""

BY: Mapping[str, str] = {
    "fault": "fault",
    "cause": "cause",
    "station": "station where it was found",
    "designator": "designator",
    "product": "product",
}
"""By what faults are counted, in words."""

CHOICES: Mapping[str, str] = {**PERIODS, "": "the thirty days up to the last fault"}

_FIELDS = {
    "fault": "code__key",
    "cause": "cause_key",
    "station": "station__key",
    "designator": "designator",
    "product": "unit__part__key",
}
NONE = "none"
"""Asks for faults that were not diagnosed, or are at no designator."""

MOST = 1_000
"""So many of the latest faults are asked what was at their designators."""

BARS = 20
"""So many kinds stand in the picture by themselves."""


class NoSuchCount(Refusal):
    """Faults are not counted by that."""

    code = "no-such-count"
    kind = Kind.UNREADABLE
    action = "Choose one of those offered."


@dataclass(frozen=True)
class Counted:
    """So many faults of one kind, in so many units; how many faults that is per thousand of the units that passed;
    with the more frequent ones, what share of all."""

    key: str
    words: str
    faults: int
    units: int
    per_thousand: Fraction | None
    cumulative: Fraction


@dataclass(frozen=True)
class Log:
    """The faults that were found in a period, as asked: `chosen` are the filters by name."""

    by: str
    chosen: Mapping[str, str]
    period: Period

    @cached_property
    def faults(self) -> QuerySet[Fault]:
        """The faults, the latest first; each with the `cause_key` and `cause_name` of its diagnosis."""
        cause = Diagnosis.objects.filter(fault=OuterRef("pk"), superseded=None)
        found = Fault.objects.filter(
            superseded=None, found__gte=to_ticks(self.period.since), found__lt=to_ticks(self.period.until)
        ).annotate(
            cause_key=Subquery(cause.values("cause__key")[:1]), cause_name=Subquery(cause.values("cause__name")[:1])
        )
        for name, key in self.chosen.items():
            empty = {"cause": None, "designator": ""}.get(name)
            found = found.filter(**{_FIELDS[name]: empty if key == NONE and name in ("cause", "designator") else key})
        return found.select_related("unit__part", "code", "station", "step", "by").order_by("-found", "-pk")

    @cached_property
    def total(self) -> int:
        return self.faults.count()

    @cached_property
    def units(self) -> int:
        """How many units have one of these faults."""
        return self.faults.order_by().values("unit").distinct().count()

    def passed(self, **narrower: str) -> int:
        """How many units went through a station in the period, whatever it came to: of the product and at the station
        that are asked for."""
        asked = {**self.chosen, **narrower}
        since, until = to_ticks(self.period.since), to_ticks(self.period.until)
        gone = Pass.objects.filter(began__lt=until, superseded=None).filter(
            Q(began__gte=since - DAY) | Q(ended__gt=F("began") + DAY, ended__gte=since)
        )
        gone = gone.exclude(outcome__in=[Pass.Outcome.NONE, Pass.Outcome.VOID])
        if "station" in asked:
            gone = gone.filter(station__key=asked["station"])
        if "product" in asked:
            gone = gone.filter(unit__part__key=asked["product"])
        gone = gone.annotate(gone=Coalesce("scanned_out", "ended")).filter(gone__gte=since, gone__lt=until)
        return gone.order_by().values("unit").distinct().count()

    @cached_property
    def counted(self) -> Sequence[Counted]:
        """The kinds, the most frequent first."""
        field = _FIELDS[self.by]
        rows = self.faults.order_by().values(field).annotate(n=Count("pk"), of=Count("unit", distinct=True))
        found = sorted(((row[field] or "", row["n"], row["of"]) for row in rows), key=lambda row: (-row[1], row[0]))
        names, everywhere, counted, so_far = self._name(), None, list[Counted](), 0
        for key, number, units in found:
            so_far += number
            if self.by in ("station", "product"):
                passed = self.passed(**{self.by: key})
            else:
                passed = everywhere = self.passed() if everywhere is None else everywhere
            per = Fraction(1000 * number, passed) if passed else None
            words = names.get(key, key) if key else "not diagnosed" if self.by == "cause" else "no designator"
            counted.append(Counted(key or NONE, words, number, units, per, Fraction(so_far, self.total)))
        return counted

    @cached_property
    def lots(self) -> Sequence[tuple[Lot, int, int]]:
        """The lots that were, or may have been, at the designators of these faults by when they were found: each with
        how many of the faults and of the units that is; the most frequent first. Of the latest MOST faults."""
        rows = self.faults.exclude(designator="").values_list("pk", "unit", "designator", "found")[:MOST]
        faults = list(rows)
        places = list_places({unit for _, unit, _, _ in faults}, OPEN, {name for _, _, name, _ in faults})
        at = {
            (pk, unit): {
                container for one in places[unit][name] if one.began <= found for container in _containers(one.content)
            }
            for pk, unit, name, found in faults
        }
        keys = {container for containers in at.values() for container in containers}
        lot_of = dict(Container.objects.filter(pk__in=keys).values_list("pk", "lot"))
        counted: dict[int, set[tuple[int, int]]] = defaultdict(set)
        for fault, containers in at.items():
            for container in containers:
                counted[lot_of[container]].add(fault)
        lots = Lot.objects.select_related("part", "supplier").in_bulk(counted)
        found = [(lots[pk], len(of), len({unit for _, unit in of})) for pk, of in counted.items()]
        return sorted(found, key=lambda one: (-one[1], one[0].key))

    def _name(self) -> dict[str, str]:
        kind = {"fault": FaultCode, "cause": CauseCode, "station": Station, "product": Part}.get(self.by)
        return dict(kind._default_manager.values_list("key", "name")) if kind else {}

    @property
    def products(self) -> list[Part]:
        """What had a fault, ever."""
        return list(Part.objects.filter(pk__in=Fault.objects.values("unit__part")).order_by("key"))


def _containers(content: object) -> set[int]:
    """What material something that happened at a place may have brought there, so far as that is known."""
    if isinstance(content, Drawn):
        return {one for source in content.sources for one in source.containers if one is not None}
    container = content.container if isinstance(content, Fitted) else None
    return set() if container is None else {container}


def ask_log(now: datetime, asked: Mapping[str, str]) -> Log:
    """The log as asked: `by` one of BY, a `period` with `from` and `to` as lines have them, and what of each kind of BY
    it is limited to. Refuses with BadPeriod, NoSuchCount."""
    by = asked.get("by") or "fault"
    if by not in BY:
        raise NoSuchCount(f"Faults are not counted by “{by[:40]}”.")
    latest = Fault.objects.filter(superseded=None).order_by("-found").values_list("found", flat=True).first()
    period = read_asked(asked, latest, LOOKED_AT, get_calendar(), now)
    chosen = {name: text.strip() for name in BY if (text := asked.get(name, "")).strip()}
    return Log(by, chosen, period)
