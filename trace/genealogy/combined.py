"""Suspicions combined: what meets every one of them, less what is excepted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import reduce

from trace.core.clock import OPEN
from trace.genealogy.climbing import Register, climb
from trace.genealogy.direct import find_direct, salvage_judge
from trace.genealogy.forward import Part, Population, describe, trace_forward
from trace.genealogy.rules import CARRYING, NOTHING, RANK, Finding, Reason, Sureness
from trace.genealogy.suspicion import Suspicion, name_suspects
from trace.genealogy.verdicts import Evidence, gather_evidence

Findings = dict[int, Finding]


def trace_combined(required: Sequence[Suspicion], excepted: Sequence[Suspicion] = (), at: int = OPEN) -> Population:
    """Every unit that meets each of the suspicions required, less what is excepted, as of a moment (microseconds).

    Each is asked alone, from lot to outermost unit. A unit meets what it carries itself, and what is said of a unit
    that it is in. It is certain where it surely meets each, cleared where it no longer meets one that it met.

    What is excepted counts for nothing: neither it nor what is in it, nor what it is in for its sake. A unit that may
    be excepted stays, and is possible. Material that is excepted from suspect material is no longer suspect, so that a
    unit with some of both stays for the rest. The population's own suspicion and evidence are those of the first.
    """
    if len(required) == 1 and not excepted:
        return trace_forward(required[0], at)
    register, judge = Register(at), salvage_judge(at)
    evidences = [gather_evidence(one, at, judge) for one in required]
    spared, others = _sort_excepted(excepted, evidences)
    if spared:
        evidences = [gather_evidence(one, at, judge, spared) for one in required]
    out = [Part(one, gather_evidence(one, at, judge)) for one in others]
    exempt = _find_exempt(out, register)
    barred = {unit for unit, sureness in exempt.items() if sureness == Sureness.CERTAIN}
    direct: set[int] = set()
    strangers: dict[int, set[int]] = defaultdict(set)
    met: list[Findings] = []
    parts = tuple(map(Part, required, evidences))
    for suspicion, evidence in parts:
        found, stays = find_direct(suspicion, evidence, register)
        own = _without(found, exempt, register)
        found, perhaps = climb(own, (stay for stay in stays if stay[0] in own), register, barred)
        met.append(_without(found, exempt, register))
        direct |= own.keys()
        for parent, units in perhaps.items():
            strangers[parent] |= units
    found = met[0] if len(met) == 1 else dict(_meet(met, register))
    carriers = describe(found, direct, register)
    return Population(
        required[0], at, carriers, evidences[0], dict(strangers), parts, tuple(part.evidence for part in out)
    )


def _sort_excepted(excepted: Sequence[Suspicion], evidences: Collection[Evidence]) -> tuple[set[int], list[Suspicion]]:
    """(containers that are excepted from suspect material, the exceptions that take units out)."""
    spared: set[int] = set()
    others = []
    for suspicion in excepted:
        named = name_suspects(suspicion)[0].keys()
        if any(not named.isdisjoint(evidence.suspects) for evidence in evidences):
            spared |= named
        else:
            others.append(suspicion)
    return spared, others


def _find_exempt(excepted: Collection[Part], register: Register) -> dict[int, Sureness]:
    """{unit: whether it surely or perhaps is excepted itself}; not by what is in it."""
    exempt: dict[int, Sureness] = {}
    for suspicion, evidence in excepted:
        for unit, finding in find_direct(suspicion, evidence, register)[0].items():
            if finding.sureness in CARRYING and exempt.get(unit) != Sureness.CERTAIN:
                exempt[unit] = finding.sureness
    return exempt


def _without(findings: Findings, exempt: Mapping[int, Sureness], register: Register) -> Findings:
    """Findings less those of units that are, or are in, what is excepted; possible where they only may be."""
    if not exempt or not findings:
        return findings
    left = {}
    for unit, above in register.list_above(findings).items():
        finding = findings[unit]
        hows = {(exempt[one], sure) for one, sure in ((unit, True), *above.items()) if one in exempt}
        if (Sureness.CERTAIN, True) in hows:
            continue
        if hows and finding.sureness in CARRYING:
            finding = finding._replace(sureness=Sureness.POSSIBLE, reason=finding.reason | Reason.EXCEPTED)
        left[unit] = finding
    return left


def _meet(met: Sequence[Findings], register: Register) -> Iterator[tuple[int, Finding]]:
    """(unit, how it meets all of these)."""
    units = {unit for findings in met for unit in findings}
    above = register.list_above([unit for unit in units if any(unit not in findings for findings in met)])
    for unit in units:
        findings = [one[unit] if unit in one else _within(one, above[unit]) for one in met]
        if all(finding.sureness for finding in findings):
            yield unit, reduce(_both, findings)


def _within(found: Findings, above: Mapping[int, bool]) -> Finding:
    """What is said of a unit by those that it is in."""
    said = NOTHING
    for unit, sure in above.items():
        finding = found.get(unit, NOTHING)
        if finding.sureness in CARRYING:
            if not sure:
                finding = Finding(Sureness.POSSIBLE, finding.reason | Reason.UNRECORDED, finding.since)
            said = said.join(finding)
    return said


def _both(one: Finding, other: Finding) -> Finding:
    """Of a unit that meets both: the less sure counts; where neither is surer, both say why."""
    assert one.sureness and other.sureness
    if one.sureness == other.sureness:
        return one._replace(reason=one.reason | other.reason)
    return one if RANK[one.sureness] > RANK[other.sureness] else other
