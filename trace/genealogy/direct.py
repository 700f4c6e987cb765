"""Units with something suspect in a place of their own."""

from __future__ import annotations

import json
from collections.abc import Collection

from django.db.models import F, Q

from trace.core.clock import OPEN
from trace.engineering.queries import list_places_of
from trace.floor.designs import list_revisions_of
from trace.floor.models import Fitting, Salvage
from trace.genealogy.climbing import Register, Stay
from trace.genealogy.places import PlaceJudge, just_before, list_places
from trace.genealogy.process import find_selected
from trace.genealogy.reading import fetch
from trace.genealogy.rules import CARRYING, NOTHING, REASONS_BY_NUMBER, Finding, Happening, Sureness, best, judge_place
from trace.genealogy.suspicion import Fill, Suspicion
from trace.genealogy.verdicts import Evidence, SalvageJudge, suspect_pieces
from trace.material.models import Container, SetUpLine

CHUNK = 5_000


def find_direct(suspicion: Suspicion, evidence: Evidence, register: Register) -> tuple[dict[int, Finding], list[Stay]]:
    """Units with the suspect in a place of their own, or selected by a process fact; and where they were fitted."""
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
    stays += register.read(one_by_one.difference(row[4] for row in rows))
    for unit in one_by_one:
        findings.pop(unit, None)
    findings |= judge_units(one_by_one, evidence, register.at)
    if selected := find_selected(suspicion, register.at):
        for unit, finding in selected.items():
            findings[unit] = findings.get(unit, NOTHING).join(finding)
        stays += register.read((selected.keys() - one_by_one).difference(row[4] for row in rows))
    return findings, stays


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


def salvage_judge(at: int) -> SalvageJudge:
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
        by_hand = Fitting.objects.filter(feed__in=feeds, superseded=None)
        belongs |= set(by_hand.values_list("unit__part", "designator").distinct())
        candidates = list(
            Salvage.objects.filter(
                designator__in={designator for _, designator in belongs}, superseded=None, at__lte=F("error") + at
            ).exclude(pk__in=taken)
        )
        # Not joined: SQLite would begin with every unit of these assemblies.
        revisions = list_revisions_of({s.unit_id for s in candidates})
        fresh = [s for s in candidates if any((part, s.designator) in belongs for part in revisions[s.unit_id])]
        for start in range(0, len(fresh), CHUNK):
            chunk = fresh[start : start + CHUNK]
            places = list_places({salvage.unit_id for salvage in chunk})
            for salvage in chunk:
                happenings = places.get(salvage.unit_id, {}).get(salvage.designator, [])
                taken[salvage.pk] = salvage, just_before(happenings, salvage)
        fills = set()
        for salvage, happenings in taken.values():
            finding = judge_place(happenings, PlaceJudge(evidence))
            if finding.sureness in CARRYING:
                wholly = finding.sureness == Sureness.CERTAIN
                fills.add(Fill(salvage.result_id, salvage.at - salvage.error, wholly, salvage.pk))
        return fills

    return judge


def judge_units(units: Collection[int], evidence: Evidence, at: int) -> dict[int, Finding]:
    """Judge these units against the evidence, at each designator where something suspect may have come."""
    if not units:
        return {}
    judge = PlaceJudge(evidence)
    designators = concerned(evidence)
    ordered = sorted(units)
    findings = {}
    for start in range(0, len(ordered), CHUNK):
        for unit, places in list_places(ordered[start : start + CHUNK], at, designators).items():
            finding = best(judge_place(happenings, judge) for happenings in places.values())
            if finding.sureness:
                findings[unit] = finding
    return findings


def concerned(evidence: Evidence) -> set[str]:
    """The designators that feeds under a verdict serve, and those fitted with something suspect or from such a feed."""
    feeds = [feed for feed, verdict in evidence.verdicts.items() if verdict.possible]
    fitted = Fitting.objects.filter(Q(container__in=evidence.suspects) | Q(feed__in=feeds), superseded=None)
    served = SetUpLine.objects.filter(feed__in=feeds)
    return {*served.values_list("designator", flat=True), *fitted.values_list("designator", flat=True)}
