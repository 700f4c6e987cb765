"""Forward: from what is suspect to every unit that carries it, how sure that is, and where it is."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from operator import itemgetter
from typing import NamedTuple

from trace.core.clock import OPEN
from trace.genealogy.climbing import Register, climb
from trace.genealogy.direct import find_direct, salvage_judge
from trace.genealogy.rules import Finding, Sureness
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.verdicts import Evidence, gather_evidence
from trace.genealogy.whereabouts import Place, Whereabouts, find_whereabouts


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


class Part(NamedTuple):
    """One of the suspicions that a combined population meets, and the evidence behind it."""

    suspicion: Suspicion
    evidence: Evidence


@dataclass(frozen=True)
class Population:
    """The answer to a suspicion at a moment: every carrier, and the evidence behind it; per unit with a
    child that is not known, the carriers that it may be (ids).

    Of a combination the `parts` are what all meet, the first of them the suspicion, and `excepted` the evidence of
    what was taken out. `left_out`: kind and key of the containers and tapes that are no concern of it any more.
    """

    suspicion: Suspicion
    at: int
    carriers: tuple[Carrier, ...]
    evidence: Evidence = field(repr=False)
    strangers: Mapping[int, Collection[int]] = field(default_factory=dict, repr=False)
    parts: tuple[Part, ...] = field(default=(), repr=False)
    excepted: tuple[Evidence, ...] = field(default=(), repr=False)
    left_out: Collection[tuple[str, str]] = ()

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
    evidence = gather_evidence(suspicion, at, salvage_judge(at))
    register = Register(at)
    direct, stays = find_direct(suspicion, evidence, register)
    found, strangers = climb(direct, stays, register)
    return Population(suspicion, at, describe(found, direct, register), evidence, strangers)


def describe(found: Mapping[int, Finding], direct: Collection[int], register: Register) -> tuple[Carrier, ...]:
    """Carriers of what was found of units, the surest first: named, and where each is."""
    tops = register.find_tops(found)
    where = find_whereabouts(set(tops.values()), register.at)
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
    return tuple(carrier for sureness in Sureness for carrier in sorted(by_sureness[sureness], key=_KEY))


def count_places(population: Population) -> dict[str, Counter[Sureness]]:
    """How many outermost carriers are in each place, in words, by sureness."""
    counts: dict[str, Counter[Sureness]] = defaultdict(Counter)
    for top in population.carrying():
        counts[top.where.group][top.sureness] += 1
    return counts


def group_shipped(population: Population) -> dict[str, list[Carrier]]:
    """The outermost carriers that were shipped, by the customer's key."""
    shipped: dict[str, list[Carrier]] = defaultdict(list)
    for top in population.carrying():
        if top.where.kind == Place.SHIPPED:
            shipped[top.where.customer].append(top)
    return shipped


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
