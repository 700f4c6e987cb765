"""Forward: from what is suspect to every unit that carries it, how sure that is, and where it is."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from django.db.models import F, Q

from trace.core.clock import OPEN
from trace.engineering.queries import list_places_of
from trace.floor.models import Fitting, Salvage
from trace.genealogy.intervals import Ranges
from trace.genealogy.places import PlaceJudge, fetch, just_before, list_places
from trace.genealogy.rules import RANK, Finding, Happening, Reason, Sureness, best, judge_place
from trace.genealogy.suspicion import Fill, Suspicion
from trace.genealogy.verdicts import Evidence, SalvageJudge, gather_evidence, suspect_pieces
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts
from trace.material.models import Container, SetUpLine

CHUNK = 5_000
REASONS = [Reason(number) for number in range(2 ** len(Reason))]
"""Every combination of reasons by its number: an enumeration is slow to make for each of many units."""


@dataclass(frozen=True)
class Carrier:
    """One unit of a population. `top` is the key of the outermost unit it is in (its own, if none),
    `where` the whereabouts of that top. `direct` says that the suspect is in a place of its own,
    not only in a child."""

    unit: int
    key: str
    part: str
    sureness: Sureness
    reasons: tuple[str, ...]
    top: str
    where: Whereabouts
    direct: bool


@dataclass(frozen=True)
class Population:
    """The answer to a suspicion at a moment: every carrier, and the evidence behind it."""

    suspicion: Suspicion
    at: int
    carriers: tuple[Carrier, ...]
    evidence: Evidence = field(repr=False)

    def of(self, sureness: Sureness) -> list[Carrier]:
        """The carriers of one sureness, boards and assemblies alike."""
        return [carrier for carrier in self.carriers if carrier.sureness == sureness]

    def tops(self) -> list[Carrier]:
        """Each physical thing that must be found, once: the outermost units, and cleared units in
        parents that never carried the suspect."""
        found: dict[str, Carrier] = {}
        for carrier in self.carriers:
            if carrier.top == carrier.key or carrier.top not in found:
                found[carrier.top] = carrier
        return list(found.values())

    def carrying(self) -> list[Carrier]:
        """Those of the outermost units that carry the suspect, surely or possibly."""
        return [top for top in self.tops() if top.sureness != Sureness.CLEARED]


@dataclass(frozen=True)
class Summary:
    """A population in numbers, of outermost units: by sureness, and of the carriers how many were
    shipped and to how many customers, and how many are in each kind of place."""

    certain: int
    possible: int
    cleared: int
    shipped: int
    customers: int
    places: dict[str, int]

    @property
    def units(self) -> int:
        """Certain and possible together."""
        return self.certain + self.possible

    def sentence(self, what: str) -> str:
        """The answer in words, about `what` (such as “Lot K7731”)."""
        cleared = f" {self.cleared} carried it and no longer {_do(self.cleared)}." if self.cleared else ""
        if not self.units:
            return f"{what} is in no unit.{cleared}"
        shipped = "None has shipped."
        if self.shipped:
            have = "has" if self.shipped == 1 else "have"
            shipped = f"{self.shipped} {have} shipped, to {_count(self.customers, 'customer')}."
        return (
            f"{what} is in {_count(self.units, 'unit')}: {self.certain} certain, {self.possible} possible. "
            f"{shipped}{cleared}"
        )


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _do(number: int) -> str:
    return "does" if number == 1 else "do"


def trace_forward(suspicion: Suspicion, at: int = OPEN) -> Population:
    """Every unit that carries, or carried, what is suspect, as of a moment (microseconds).

    Suspect containers are closed over derivations; the ranges of positions at which feeds gave them
    select passes; designators where a later fitting rules are judged one by one; then children to
    parents, to any depth.
    """
    evidence = gather_evidence(suspicion, at, _salvage_judge(at))
    findings = _find_direct(evidence, at)
    everything, tops = _climb(findings, at)
    outermost = set(tops.values())
    names = _read_units(everything.keys() | outermost)
    where = find_whereabouts(outermost, at)
    words = {reason: tuple(reason.words()) for reason in {finding.reason for finding in everything.values()}}
    carriers = [
        Carrier(
            unit,
            *names[unit],
            finding.sureness,
            words[finding.reason],
            names[tops[unit]][0],
            where[tops[unit]],
            unit in findings,
        )
        for unit, finding in everything.items()
        if finding.sureness
    ]
    carriers.sort(key=lambda carrier: (RANK[carrier.sureness], carrier.key))
    return Population(suspicion, at, tuple(carriers), evidence)


def summarise_population(population: Population) -> Summary:
    """Count the outermost units of a population."""
    tops = population.tops()
    carrying = population.carrying()
    shipped = [top for top in carrying if top.where.kind == Place.SHIPPED]
    places: dict[str, int] = defaultdict(int)
    for top in carrying:
        places[top.where.kind.value] += 1
    return Summary(
        certain=sum(top.sureness == Sureness.CERTAIN for top in tops),
        possible=sum(top.sureness == Sureness.POSSIBLE for top in tops),
        cleared=sum(top.sureness == Sureness.CLEARED for top in tops),
        shipped=len(shipped),
        customers=len({top.where.customer for top in shipped}),
        places=dict(places),
    )


def judge_units(units: Collection[int], evidence: Evidence, at: int) -> dict[int, Finding]:
    """Judge these units against the evidence, at each designator where something suspect may have come."""
    judge = PlaceJudge(evidence)
    designators = _concerned(evidence)
    ordered = sorted(units)
    findings = {}
    for start in range(0, len(ordered), CHUNK):
        for unit, places in list_places(ordered[start : start + CHUNK], at, designators).items():
            finding = best(judge_place(happenings, judge) for happenings in places.values())
            if finding.sureness:
                findings[unit] = finding
    return findings


def _concerned(evidence: Evidence) -> set[str]:
    """The designators that feeds under a verdict serve, and those fitted with something suspect or from such a feed."""
    feeds = [feed for feed, verdict in evidence.verdicts.items() if verdict.possible]
    fitted = Fitting.objects.filter(Q(container__in=evidence.suspects) | Q(feed__in=feeds), superseded=None)
    served = SetUpLine.objects.filter(feed__in=feeds)
    return {*served.values_list("designator", flat=True), *fitted.values_list("designator", flat=True)}


def _find_direct(evidence: Evidence, at: int) -> dict[int, Finding]:
    """Units with the suspect in a place of their own."""
    pieces = suspect_pieces(evidence.verdicts)
    findings = {}
    if pieces:
        # What is still open has not surely drawn.
        for unit, certain, reason, since in fetch("ranges", ranges=json.dumps(pieces), at=min(at, OPEN - 1)):
            findings[unit] = (
                Finding(Sureness.CERTAIN, REASONS[0], Ranges.single(since, OPEN))
                if certain
                else Finding(Sureness.POSSIBLE, REASONS[reason], Ranges.single(since, OPEN))
            )
    one_by_one = {unit for (unit,) in fetch("by_designator", units=json.dumps(sorted(findings)))}
    one_by_one |= set(_fitted_from(evidence, at))
    for unit in one_by_one:
        findings.pop(unit, None)
    return findings | judge_units(one_by_one, evidence, at)


def _fitted_from(evidence: Evidence, at: int) -> set[int]:
    """Units that had something fitted from a suspect container, or from a feed that gave one."""
    fittings = Fitting.objects.filter(superseded=None, since__lte=F("error") + at)
    found = set(fittings.filter(container__in=evidence.suspects).values_list("unit", flat=True))
    feeds = [feed for feed, verdict in evidence.verdicts.items() if verdict.possible]
    for fitting in fittings.filter(feed__in=feeds):
        assert fitting.feed_id and fitting.first is not None and fitting.last is not None
        if evidence.verdicts[fitting.feed_id].possible.meets(fitting.first, fitting.last):
            found.add(fitting.unit_id)
    return found


def _salvage_judge(at: int) -> SalvageJudge:
    """Judges the parts that were taken out of designators and kept, up to a moment: those from places
    where a suspect's part may be. Reads each once."""
    taken: dict[int, tuple[Salvage, list[Happening]]] = {}

    def judge(evidence: Evidence) -> set[Fill]:
        parts = Container.objects.filter(pk__in=evidence.suspects).values_list("part", flat=True)
        belongs = {(assembly, designator) for assembly, designator, _ in list_places_of(set(parts))}
        candidates = Salvage.objects.filter(
            unit__part__in={assembly for assembly, _ in belongs}, superseded=None, at__lte=F("error") + at
        ).select_related("unit")
        fresh = [s for s in candidates if s.pk not in taken and (s.unit.part_id, s.designator) in belongs]
        for start in range(0, len(fresh), CHUNK):
            chunk = fresh[start : start + CHUNK]
            places = list_places({salvage.unit_id for salvage in chunk})
            for salvage in chunk:
                happenings = places.get(salvage.unit_id, {}).get(salvage.designator, [])
                taken[salvage.pk] = salvage, just_before(happenings, salvage)
        fills = set()
        for salvage, happenings in taken.values():
            finding = judge_place(happenings, PlaceJudge(evidence))
            if finding.sureness in (Sureness.CERTAIN, Sureness.POSSIBLE):
                wholly = finding.sureness == Sureness.CERTAIN
                fills.add(Fill(salvage.result_id, salvage.at - salvage.error, wholly, salvage.pk))
        return fills

    return judge


def _climb(direct: Mapping[int, Finding], at: int) -> tuple[dict[int, Finding], dict[int, int]]:
    """(findings of these units and of every unit they are or were in, each one's outermost unit).

    A parent carries what a child carries while it is inside. It is cleared by a child that carried
    the suspect while inside and left, or was put right there; not by one that came in clean.
    """
    found = dict(direct)
    homes: dict[int, int] = {}
    layer = set(found)
    while layer:
        inherited: dict[int, list[Finding]] = defaultdict(list)
        fetched = fetch("homes", units=json.dumps(sorted(layer)), at=at)
        for child, parent, since, until in fetched:
            left = OPEN if until is None or until > at else until
            if left == OPEN:
                homes[child] = parent
            finding = found[child]
            for first, end in finding.carried.within(since, left):
                sureness = finding.sureness if end == OPEN else Sureness.CLEARED
                inherited[parent].append(Finding(sureness, finding.reason, Ranges.single(first, end)))
        layer = set()
        for parent, parts in inherited.items():
            merged = best([*parts, *([found[parent]] if parent in found else [])])
            if merged != found.get(parent):
                found[parent] = merged
                layer.add(parent)
    tops = {}
    for unit in found:
        top = unit
        while top in homes:
            top = homes[top]
        tops[unit] = top
    return found, tops


def _read_units(units: Collection[int]) -> dict[int, tuple[str, str]]:
    """{unit id: (key, part key)}."""
    return {pk: (key, part) for pk, key, part in fetch("names", units=json.dumps(sorted(units)))}
