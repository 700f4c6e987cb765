"""Forward: from what is suspect to every unit that carries it, how sure that is, and where it is."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from operator import itemgetter
from typing import NamedTuple

from django.db.models import F, Q

from trace.core.clock import OPEN
from trace.engineering.models import Part
from trace.engineering.queries import list_places_of
from trace.floor.models import Fitting, Salvage, Unit
from trace.genealogy.places import PlaceJudge, just_before, list_places
from trace.genealogy.process import find_passed
from trace.genealogy.reading import fetch
from trace.genealogy.rules import NOTHING, REASONS_BY_NUMBER, Finding, Happening, Sureness, best, judge_place
from trace.genealogy.strangers import find_strangers, list_unknown_children
from trace.genealogy.suspicion import Fill, Suspicion
from trace.genealogy.verdicts import Evidence, SalvageJudge, gather_evidence, suspect_pieces
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts
from trace.material.models import Container, SetUpLine

CHUNK = 5_000


class Carrier(NamedTuple):
    """One unit of a population. `top` is the key of the outermost unit it is in (its own, if none),
    `where` the whereabouts of that top. `direct` says that the suspect is in a place of its own, or
    that it passed a suspect station itself: not only a child of it."""

    unit: int
    key: str
    part: str
    sureness: Sureness
    reasons: tuple[str, ...]
    top: str
    where: Whereabouts
    direct: bool


_KEY = itemgetter(Carrier._fields.index("key"))


@dataclass(frozen=True)
class Population:
    """The answer to a suspicion at a moment: every carrier, and the evidence behind it; per unit with a
    child that is not known, the carriers that it may be (ids)."""

    suspicion: Suspicion
    at: int
    carriers: tuple[Carrier, ...]
    evidence: Evidence = field(repr=False)
    strangers: Mapping[int, Collection[int]] = field(default_factory=dict, repr=False)

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
    select passes; designators where a later fitting rules are judged one by one. What passed a station
    in a suspect window is in it directly. Then children to parents, to any depth.
    """
    evidence = gather_evidence(suspicion, at, _salvage_judge(at))
    register = _Register(at)
    direct, stays = _find_direct(evidence, register)
    for unit, finding in find_passed(suspicion.windows, at).items():
        direct[unit] = direct.get(unit, NOTHING).join(finding)
    stays += register.read(direct.keys() - register.names.keys())
    found, strangers = _climb(direct, stays, register)
    tops = register.find_tops(found)
    where = find_whereabouts(set(tops.values()), at)
    names, parts = register.names, register.name_parts()
    words = {reason: tuple(reason.words()) for reason in {finding.reason for finding in found.values()}}
    by_sureness: dict[Sureness, list[Carrier]] = {sureness: [] for sureness in Sureness}
    for unit, (sureness, reason, _, _) in found.items():
        top = tops[unit]
        key, part = names[unit]
        assert sureness
        by_sureness[sureness].append(
            Carrier(unit, key, parts[part], sureness, words[reason], names[top][0], where[top], unit in direct)
        )
    carriers = [carrier for sureness in Sureness for carrier in sorted(by_sureness[sureness], key=_KEY)]
    return Population(suspicion, at, tuple(carriers), evidence, strangers)


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
    if not units:
        return {}
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


Stay = tuple[int, int, int, int, bool]
"""A unit was in a parent: (unit, parent, from when, until when or OPEN while it is, surely or perhaps)."""


@dataclass
class _Register:
    """What was read of units on the way, up to a moment: {unit: (key, part)}, and the parent that each is surely in."""

    at: int
    names: dict[int, tuple[str, int]] = field(default_factory=dict)
    homes: dict[int, int] = field(default_factory=dict)

    def enter(self, rows: Iterable[tuple]) -> Iterator[Stay]:
        """Take in rows of `homes`: where these units were fitted, or may have been."""
        for unit, key, part, parent, since, until, sure in rows:
            self.names[unit] = key, part
            if parent is not None:
                left = OPEN if until is None or until > self.at else until
                if sure and left == OPEN:
                    self.homes[unit] = parent
                yield unit, parent, since, left, sure

    def read(self, units: Collection[int]) -> list[Stay]:
        """Read these units, and where they were fitted."""
        return list(self.enter(fetch("homes", units=sorted(units), at=self.at))) if units else []

    def find_tops(self, units: Iterable[int]) -> dict[int, int]:
        """{unit: the outermost unit that it surely is in, or itself}."""
        tops = {}
        for unit in units:
            top = unit
            while (home := self.homes.get(top)) is not None:
                top = home
                if top not in self.names:
                    self.read([top])
            tops[unit] = top
        return tops

    def name_parts(self) -> dict[int, str]:
        """{part id: key} of these units."""
        return dict(Part.objects.filter(pk__in={part for _, part in self.names.values()}).values_list("pk", "key"))


def _find_direct(evidence: Evidence, register: _Register) -> tuple[dict[int, Finding], list[Stay]]:
    """Units with the suspect in a place of their own, and where they were fitted."""
    pieces = suspect_pieces(evidence.verdicts)
    one_by_one = set(_fitted_from(evidence, register.at))
    findings = {}
    # What is still open has not surely drawn.
    rows = fetch("ranges", ranges=json.dumps(pieces), at=min(register.at, OPEN - 1)) if pieces else []
    for by_designator, certain, reason, since, unit, _, _, _, _, _, _ in rows:
        if by_designator:
            one_by_one.add(unit)
        elif certain:
            findings[unit] = Finding(Sureness.CERTAIN, REASONS_BY_NUMBER[0], since)
        else:
            findings[unit] = Finding(Sureness.POSSIBLE, REASONS_BY_NUMBER[reason], since)
    stays = list(register.enter(row[4:] for row in rows))
    stays += register.read(one_by_one - register.names.keys())
    for unit in one_by_one:
        findings.pop(unit, None)
    return findings | judge_units(one_by_one, evidence, register.at), stays


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
        if not Salvage.objects.filter(superseded=None).exists():
            return set()
        parts = Container.objects.filter(pk__in=evidence.suspects).values_list("part", flat=True)
        belongs = {(assembly, designator) for assembly, designator, _ in list_places_of(set(parts))}
        # What was found on a feed may not belong there, and was drawn all the same.
        feeds = [feed for feed, verdict in evidence.verdicts.items() if verdict.possible]
        belongs |= set(SetUpLine.objects.filter(feed__in=feeds).values_list("setup__assembly", "designator"))
        candidates = list(
            Salvage.objects.filter(
                designator__in={designator for _, designator in belongs}, superseded=None, at__lte=F("error") + at
            ).exclude(pk__in=taken)
        )
        # Not joined: SQLite would begin with every unit of these assemblies.
        assemblies = dict(Unit.objects.filter(pk__in={s.unit_id for s in candidates}).values_list("pk", "part"))
        fresh = [s for s in candidates if (assemblies[s.unit_id], s.designator) in belongs]
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


def _climb(
    direct: Mapping[int, Finding], stays: Iterable[Stay], register: _Register
) -> tuple[dict[int, Finding], dict[int, set[int]]]:
    """From these units to every unit that they are or were in: the findings of all, and per unit with a
    child that is not known, the carriers that it may be.

    A parent carries what a child carries while it is inside. It is cleared by a child that carried
    the suspect while inside and left, or was put right there; not by one that came in clean. Where it
    is not sure that the child is inside, the parent only may carry it; and a unit with a child that is
    not known may carry what any unit does that may be there.
    """
    found = dict(direct)
    unknown = list_unknown_children(register.at)
    strangers: dict[int, set[int]] = defaultdict(set)
    layer: Collection[int] = direct.keys()
    while layer:
        inherited: dict[int, Finding] = {}
        for unit, parent, since, until, sure in stays:
            if unit in found:
                part = found[unit].while_inside(since, until, sure=sure)
                inherited[parent] = inherited.get(parent, NOTHING).join(part)
        for unit, parent, moments in find_strangers(layer, unknown, register.at):
            part = best(found[unit].while_inside(since, until, sure=False) for since, until in moments)
            if part.sureness:
                inherited[parent] = inherited.get(parent, NOTHING).join(part)
                strangers[parent].add(unit)
        layer = set()
        for parent, finding in inherited.items():
            if finding.sureness is None:
                continue
            before = found.get(parent, NOTHING)
            found[parent] = before.join(finding)
            if found[parent] != before:
                layer.add(parent)
        stays = register.read(layer)
    return found, dict(strangers)
